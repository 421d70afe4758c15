// What came of a mastering or a check, with the reasons that the service gives; then on, or once more.

import { h, put } from "../common/dom.js";
import { told } from "../common/told.js";
import { moment, t, word } from "../common/words.js";
import { shape, TONE } from "../drawing/shapes.js";
import { readSet } from "./reading.js";

// How each ends: the word that its shape and colour are of, what is next, and what else may be done.
const ENDS = {
  "mastering accepted": ["in-limits", "check", "mastering"],
  "mastering refused": ["not-judged", "mastering", null],
  "check passed": ["in-limits", "measure", "check"],
  "check failed": ["oversize", "mastering", "check"],
  "abandoned mastering": ["not-judged", "mastering", "check"],
  "abandoned check": ["not-judged", "check", "mastering"],
};
const SHAPES = { "check failed": "not-judged" };

export function outcome(place, acts) {
  const title = h("h2", { tabindex: "-1" });
  const plate = h("p", { class: "result-word" });
  const reasons = h("ul", { class: "master-reasons" });
  const figures = h("dl", { class: "facts" });
  const sets = h("div", { class: "sets" });
  const doing = h("div", { class: "actions" });
  place.append(title, plate, reasons, figures, sets, doing);

  return function show(seen) {
    const last = seen.outcome;
    const key = `${last.kind} ${last.code}`;
    const [tone, next, other] = ENDS[key] ?? ["not-judged", "check", null];
    const said = last.kind === "abandoned" ? t("master.abandoned") : word("outcome", last.code);
    put(title, [last.kind === "abandoned" ? word("kind", last.code) : word("kind", last.kind), last.master, moment(last.at)].filter(Boolean).join(" · "));
    plate.className = `result-word ${TONE[tone]}`;
    put(plate, shape(SHAPES[key] ?? tone), h("span", {}, said));
    put(reasons, last.reasons.map((each) => h("li", {}, told(each))), last.suspect ? h("li", {}, `${last.suspect.count}: `, told(last.suspect.text)) : null);
    put(figures, [
      ["master.error", last.error && `${last.error} (${t("master.allowed", { limit: last.limit })})`],
      ["fact.uncertainty", last.uncertainty && `± ${last.uncertainty}`],
      ["master.spread_title", last.spread],
      ["tag.operator", last.operator],
    ].filter(([, text]) => text).map(([name, text]) => h("div", {}, h("dt", {}, t(name)), h("dd", { class: "digits" }, text))));
    put(sets, last.sets.map((set) => readSet(set, last.kind === "check")));
    put(doing, button(next, "main big", key, acts, seen), other ? button(other, "big", key, acts, seen) : null);
  };
}

function button(what, style, key, acts, seen) {
  if (what === "measure") return h("a", { class: `${style} button`, href: "#measure" }, t("master.measure"));
  const again = key.includes(what) && !key.startsWith("abandoned");
  const name = what === "check" && key === "mastering accepted" ? "master.accept" : again ? `master.repeat_${what}` : `master.go_${what}`;
  const onwards = name === "master.accept" && !proof(seen) ? () => acts.check(seen.outcome.master) : () => acts.begin(what);
  return h("button", { type: "button", class: style, onclick: onwards }, t(name, { gauge: seen.gauge }));
}

// Whether something is to be typed, chosen or minded before the check on the ring that is still in hand.
function proof(seen) {
  const ring = seen.masters.find((each) => each.master === seen.outcome.master);
  return !ring || ring.overdue || ring.confirmed_by.length > 0 || seen.soak.drifting.length > 0 || !seen.connected;
}
