// What is to be known whatever screen is open: the connection, that nothing is recorded, a disk that fills up.

import { h, put } from "../common/dom.js";
import { t } from "../common/words.js";

const shown = new Map();
const place = document.getElementById("notices");
const timers = new Map();

// Shows a notice under `name` in place of the one before; `kind` is "bad", "open" or "good". Without text it goes.
export function notice(name, kind, text, { button = null, forMs = 0 } = {}) {
  clearTimeout(timers.get(name));
  if (!text) shown.delete(name);
  else shown.set(name, { kind, text, button });
  if (forMs) timers.set(name, setTimeout(() => notice(name, kind, ""), forMs));
  put(place, [...shown.values()].map(({ kind: how, text: what, button: doing }) => h(
    "p", { class: `notice notice-${how}` },
    h("strong", {}, t(`notice.${how}`)), ` ${what} `,
    doing && h("button", { type: "button", onclick: doing.act }, doing.label),
  )));
}
