// While the ring is read: which reading of how many, how to hold the gauge, the spread as it grows. The gauge's own button
// or the foot switch sends the values; nothing here has to be touched for it.

import { send } from "../common/ask.js";
import { h, put } from "../common/dom.js";
import { t } from "../common/words.js";
import { tell } from "../app/dialogs.js";
import { spreadPicture } from "../drawing/spread.js";

export function reading(place, acts) {
  const title = h("h2", { class: "master-what", tabindex: "-1" });
  const count = h("p", { class: "master-count digits" });
  const how = h("p", { class: "master-how" });
  const sets = h("div", { class: "sets" });
  const said = h("p", { class: "problem", role: "alert" });
  const doing = h("div", { class: "actions" });
  place.append(title, count, how, sets, said, doing);
  let seen = null;

  const act = (method, path, body) => async () => {
    put(said);
    try {
      await send(method, `/gauges/${encodeURIComponent(seen.gauge)}/${path}`, body);
      acts.refresh();
    } catch (error) {
      tell(said, error);
    }
  };
  const take = h("button", { type: "button", class: "main big", onclick: act("POST", "request") }, t("master.take"));
  const finish = h("button", { type: "button", class: "big", onclick: act("POST", "procedure/finish") }, t("master.finish"));
  const cancel = h("button", { type: "button", class: "big", onclick: act("DELETE", "procedure") }, t("master.cancel"));

  return function show(fresh) {
    seen = fresh;
    const going = seen.procedure;
    if (!going) return;
    const moving = Boolean(going.movement) && going.next === null;
    put(title, going.scan ? t("master.scan", { ring: going.master })
      : moving ? t(`master.move_${going.movement}`) : t("master.read", { ring: going.master }));
    put(count, t("master.number", { number: going.reading, of: going.of }));
    put(how, going.scan ? t("master.scan_note") : moving ? t("master.movement_note") : t(`master.how_${seen.takes ?? seen.contact}`));
    put(sets, going.sets.map((set) => readSet(set, going.procedure === "check")));
    put(doing, seen.can_be_asked ? take : null, going.may_finish ? finish : null, cancel);
    if (!seen.connected) put(said, t("measure.link_away", { gauge: seen.gauge }));
  };
}

// The readings of one master, with their picture.
export function readSet(set, isCheck) {
  const last = set.readings.at(-1);
  const spread = set.spread === null ? "" : set.spread_limit ? t("master.spread_of", { spread: set.spread, limit: set.spread_limit }) : t("master.spread", { spread: set.spread });
  const label = [set.master, set.readings.map((each) => each.shown).join(", "), spread].filter(Boolean).join(": ");
  return h("section", { class: "read", "aria-label": set.master },
    h("h3", {}, set.master, " ", h("span", { class: "soft digits" }, isCheck ? t("master.within", { size: set.size, limit: set.limit }) : t("master.expected", { size: set.expected }))),
    last ? h("p", { class: "master-shown digits" }, last.shown, " ", h("span", { class: last.beyond ? "is-bad" : "soft" }, last.away)) : null,
    set.readings.length ? spreadPicture(set, isCheck, label) : null,
    set.readings.length ? h("ol", { class: "readings digits" }, set.readings.map((each) => h("li", { class: each.beyond ? "is-bad" : null }, `${each.shown} (${each.away})`))) : null,
    set.readings.length > 1 ? h("p", { class: set.wide ? "problem" : "" }, spread) : null);
}
