// What stands beside a mastering: until when it counts and why it does not, the temperatures, what is to be minded.

import { send } from "../common/ask.js";
import { h, put } from "../common/dom.js";
import { toldList } from "../common/told.js";
import { moment, t, word } from "../common/words.js";
import { soakPicture } from "../drawing/soak.js";

export function minutes(seconds) {
  return Math.max(1, Math.ceil(seconds / 60));
}

export function standing(place, seen, acts) {
  put(place,
    h("h2", {}, seen.gauge, " ", h("span", { class: seen.judged ? "is-good" : "is-open" }, t(seen.judged ? "gauges.judged" : "gauges.not_judged"))),
    seen.valid_until ? h("p", { class: "valid-until" }, t("master.valid_until", { at: moment(seen.valid_until) })) : null,
    seen.left.length ? toldList(seen.left) : null,
    seen.reasons.length ? toldList(seen.reasons, { class: "troubles" }) : null,
    seen.due_soon.length ? toldList(seen.due_soon, { class: "is-open" }) : null,
    contacts(seen, acts),
    h("p", {}, h("a", { href: `#drift/${encodeURIComponent(seen.gauge)}` }, t("drift.of", { gauge: seen.gauge }))));
}

// Which contact set is on, where the gauge has several: nothing is mastered before that is known.
function contacts(seen, acts) {
  if (!seen.contact_sets.length) return null;
  const on = async (name) => {
    await send("POST", `/gauges/${encodeURIComponent(seen.gauge)}/reports`, { what: "contacts", contact_set: name });
    acts.refresh();
  };
  return h("div", {}, h("p", {}, t("master.contacts")), h("div", { class: "choices", role: "group", "aria-label": t("master.contacts") }, seen.contact_sets.map((name) => h(
    "button", { type: "button", "aria-pressed": String(name === seen.contact_set), onclick: () => void on(name) }, name))));
}

export function soaking(place, soak) {
  place.hidden = !soak.bodies.length;
  const lines = soak.bodies.map((each) => {
    const state = each.settled === undefined ? null : each.settled ? t("master.settled") : t("master.drifts", { minutes: minutes(each.settles_in_s) });
    const parts = [`${each.temperature} (${word("source", each.source)})`, each.moved && t("master.moved", { moved: each.moved, window: soak.window }), state];
    return h("li", { class: each.settled === false ? "is-open" : null }, h("b", { class: `soak-key soak-key-${each.body}` }, word("body", each.body)), ` ${parts.filter(Boolean).join(" · ")}`);
  });
  const text = soak.bodies.map((each) => `${word("body", each.body)} ${each.temperature}`).join(", ");
  put(place, h("h2", {}, t("master.temperatures")), h("ul", { class: "temperatures digits" }, lines),
    soakPicture(soak, text, { from: t("master.ago", { minutes: minutes(2 * soak.window_s) }), now: t("master.now") }),
    soak.held ? h("p", { class: "soft" }, t("master.soak_limit", { limit: soak.limit, window: soak.window })) : null,
    soak.drifting.length ? toldList(soak.drifting, { class: "is-open" }) : null);
}

export function masterCautions() {
  return h("details", { class: "cautions" },
    h("summary", {}, t("caution.clean")),
    h("ul", {}, ["soak", "hold", "force", "people"].map((each) => h("li", {}, t(`caution.${each}`)))));
}
