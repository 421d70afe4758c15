// Which gauge is looked at: the one that was used last, or one that somebody holds on to.

import { h, put } from "../common/dom.js";
import { t } from "../common/words.js";

export function gauges(place, choose) {
  return function show(seen) {
    if (seen.gauges.length < 2) {
      put(place);
      return;
    }
    const button = (name, text) => h("button", {
      type: "button", "aria-pressed": String(seen.chosen === name), onclick: () => choose(name),
    }, text);
    put(place, h("div", { role: "group", "aria-label": t("measure.gauge") },
      button(null, t("measure.used_last", { name: seen.chosen ? "" : seen.gauge })), seen.gauges.map((name) => button(name, name))));
  };
}
