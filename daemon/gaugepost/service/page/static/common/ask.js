// Asks the service below /v1. A refusal says what is wrong and what to do; both are kept apart from the network's going.

export class Refused extends Error {
  constructor(status, problem) {
    super(problem.detail ?? `HTTP ${status}`);
    this.status = status;
    this.hint = problem.hint ?? "";
    this.body = problem;
  }
}

const UNTOUCHED_MS = 60_000;
let touched = performance.now();
for (const kind of ["pointerdown", "keydown", "wheel"]) {
  addEventListener(kind, () => {
    touched = performance.now();
  }, { passive: true });
}

// Returns what goes along with what is only looked at: whoever walked away is not signed in for ever by a page that asks
// on and on, and whoever reads or works at it stays so.
export function looking() {
  return performance.now() - touched < UNTOUCHED_MS ? {} : { "X-Unattended": "yes" };
}

let session = { may: "read" };

export function who() {
  return session;
}

export async function get(path, signal) {
  return answered(await fetch(`/v1${path}`, { headers: looking(), signal, cache: "no-store" }));
}

export async function send(method, path, body) {
  const headers = { "Content-Type": "application/json" };
  if (session.csrf) headers["X-CSRF-Token"] = session.csrf;
  return answered(await fetch(`/v1${path}`, { method, headers, body: JSON.stringify(body ?? {}) }));
}

// Looks who is signed in, and keeps what commands have to bring along.
export async function look() {
  session = await get("/session");
  return session;
}

export function may(scope) {
  const order = ["read", "operate", "set-up", "administer"];
  return order.indexOf(session.may) >= order.indexOf(scope);
}

async function answered(answer) {
  if (answer.ok) return answer.json();
  let problem = {};
  try {
    problem = await answer.json();
  } catch { /* something between us and the service answered instead of it */ }
  throw new Refused(answer.status, problem);
}
