// The bench page: one frame, a screen at a time, and the journal's stream that leads them all on.

import { get, look, Refused } from "../common/ask.js";
import { h, put, setText } from "../common/dom.js";
import { loadTold } from "../common/told.js";
import { clock, loadWords, t } from "../common/words.js";
import { askChoices, lookWho, showWho } from "./chosen.js";
import { askInHand, showInHand } from "./in_hand.js";
import { latest } from "./latest.js";
import { notice } from "./notices.js";
import { ready } from "./sounds.js";
import { Stream } from "./stream.js";

// A screen is a module with open(place, station): it fills `place` and returns refresh(records) and close(). `records` are
// those that came since, or null where anything may be otherwise. The first one is where the page begins.
const SCREENS = {
  measure: () => import("../measure/measure.js"),
  master: () => import("../master/master.js"),
  look: () => import("../look/look.js"),
  gauges: () => import("../gauges/gauges.js"),
  deliveries: () => import("../deliveries/deliveries.js"),
  setup: () => import("../setup/setup.js"),
  drift: () => import("../drift/drift.js"),
  inspection: () => import("../inspection/inspection.js"),
  find: () => import("../find/find.js"),
};
const LED_TO = new Set(["drift", "inspection", "find"]);
const HEALTH_MS = 10_000;

const place = document.getElementById("screen");
let current = null;
let turn = 0;
let lostAt = null;
let missed = 0;

const station = {
  inHand: showInHand,
  say: (text) => setText(document.getElementById("said"), text),
};

function named() {
  const name = location.hash.slice(1).split("/")[0];
  return name in SCREENS ? name : "measure";
}

function navigation() {
  put(document.getElementById("screens"), Object.keys(SCREENS).filter((name) => !LED_TO.has(name)).map((name) => h(
    "a", { href: `#${name}`, "aria-current": name === named() ? "page" : null }, t(`${name}.title`),
  )));
}

async function show(focus) {
  const mine = ++turn;
  const name = named();
  navigation();
  document.title = `${t(`${name}.title`)} – ${document.getElementById("station").textContent}`;
  const screen = await SCREENS[name]();
  if (mine !== turn) return;
  current?.close();
  current = null;
  place.dataset.screen = name;
  place.replaceChildren();
  current = screen.open(place, station);
  if (focus) place.focus();
}

const health = latest(async () => {
  let said;
  try {
    said = await get("/health");
  } catch (error) {
    if (error instanceof Refused && error.status === 503) said = error.body;
    else return;
  }
  notice("recording", "bad", said.recording ? "" : `${t("notice.not_recording")} ${said.problem ?? ""}`);
  notice("disk", "open", said.disk?.warning ?? "");
}, 1000);

const tell = {
  records(records) {
    if (lostAt) missed += records.length;
    if (records.some((record) => ["set-up", "start"].includes(record.kind))) void lookWho().catch(() => {});
    if (records.some((record) => record.kind === "gap")) health();
    const tags = records.findLast((record) => record.kind === "tags");
    if (tags) showInHand(Object.fromEntries(["operator", "lot", "piece"].map((name) => [name, tags[name] ?? null])));
    current?.refresh(records);
  },
  restart() {
    current?.refresh(null);
  },
  state(state, about) {
    document.documentElement.dataset.connection = state;
    if (state === "signed-out") {
      location.assign(`/sign-in${location.hash}`);
    } else if (state === "lost") {
      lostAt ??= new Date();
      const text = t("notice.lost", { at: clock(lostAt), seconds: Math.ceil(about.waitMs / 1000) });
      notice("connection", "bad", text, { button: { label: t("notice.now"), act: () => stream.hurry() } });
    } else if (lostAt) {
      // What came meanwhile is on its way by the cursor: a moment later it is counted.
      setTimeout(() => {
        notice("connection", "good", t("notice.back", { count: missed }), { forMs: 8000 });
        lostAt = null;
        missed = 0;
      }, 600);
      void lookWho().catch(() => {});
      current?.refresh(null);
      health();
    }
  },
};
const stream = new Stream(tell);

async function begin() {
  void SCREENS[named()](); // on its way while the rest is asked for
  const [about] = await Promise.all([begun(), loadWords().then(loadTold)]);
  document.getElementById("in-hand").addEventListener("click", askInHand);
  document.getElementById("choices").addEventListener("click", () => askChoices(async () => {
    await loadWords();
    await loadTold();
    await lookWho();
    await show(false);
  }));
  addEventListener("hashchange", () => void show(true));
  addEventListener("online", () => stream.hurry());
  addEventListener("pagehide", () => stream.end());
  addEventListener("pageshow", (event) => event.persisted && location.reload());
  ready();
  showWho();
  setText(document.getElementById("station"), about.station);
  showInHand(about.tags);
  void stream.follow(about.head, about.epoch);
  await show(false);
  health();
  setInterval(health, HEALTH_MS);
}

// Asks who is here and which station it is, until it answers: a page may be opened before the service is.
async function begun() {
  for (;;) {
    try {
      const [about] = await Promise.all([get("/station"), look()]);
      return about;
    } catch (error) {
      if (error instanceof Refused && error.status === 401) {
        location.assign(`/sign-in${location.hash}`);
        return new Promise(() => {});
      }
      await new Promise((resolve) => setTimeout(resolve, 1000));
    }
  }
}

void begin();
