// What a hand on the screen can do; a foot switch and a scanner do the same without it.

import { send, who } from "../common/ask.js";
import { h, put } from "../common/dom.js";
import { t, word } from "../common/words.js";
import { ask } from "../app/dialogs.js";

const WHY_AGAIN = ["bad-seating", "rework", "recheck"];
const WHY_VOID = ["chip", "wrong_piece", "not_seated", "other"];

export function actions(place, choose) {
  const forward = h("button", { type: "button", class: "main big" });
  const again = h("button", { type: "button", class: "big" }, t("measure.again"));
  const away = h("button", { type: "button", class: "big" }, t("measure.void"));
  place.append(h("div", { class: "actions" }, forward, again, away));
  let seen = null;

  forward.addEventListener("click", () => choose({ piece: seen.next_piece }));
  again.addEventListener("click", () => askAgain(seen));
  away.addEventListener("click", () => askVoid(seen.last, seen.tags));

  return function show(now) {
    seen = now;
    put(forward, now.next_piece ? t("measure.next_piece", { name: now.next_piece }) : t("measure.no_next_piece"));
    forward.disabled = !now.next_piece;
    again.disabled = !now.next?.characteristic || !now.tags.piece;
    away.disabled = !now.last || Boolean(now.last.replaced);
  };
}

function askAgain(seen) {
  ask({
    title: t("again.title", { what: seen.next.characteristic, piece: seen.tags.piece }),
    fields: [
      h("fieldset", {}, h("legend", {}, t("again.why")), WHY_AGAIN.map((why, at) => h("label", { class: "option" },
        h("input", { type: "radio", name: "why", value: why, checked: at === 0 }), word("again", why)))),
      ...operator(seen.tags),
    ],
    does: t("measure.again"),
    act: (said) => send("POST", `/gauges/${encodeURIComponent(seen.gauge)}/attempts`, signed(said, { why: said.get("why") })),
  });
}

// Asks why a record does not count, and says so; `record` is one as shown.
export function askVoid(record, tags) {
  const other = h("input", { name: "other", maxlength: "300", "aria-label": t("void.other"), autocomplete: "off" });
  const value = record.shown.value ? `${record.shown.value} ${record.shown.unit}` : record.shown.indication ?? "";
  ask({
    title: t("void.title", { value }),
    fields: [
      h("fieldset", {}, h("legend", {}, t("void.why")), WHY_VOID.map((why, at) => h("label", { class: "option" },
        h("input", { type: "radio", name: "why", value: why, checked: at === 0 }), t(`void.${why}`))), other),
      ...operator(tags),
      h("p", { class: "soft" }, t("void.note")),
    ],
    does: t("measure.void"),
    act: (said) => {
      const written = said.get("other").trim();
      const why = said.get("why") === "other" || written ? written : t(`void.${said.get("why")}`);
      return send("POST", `/records/${encodeURIComponent(record.id)}/void`, signed(said, { reason: why }));
    },
  });
}

// Who says so, where nobody is signed in and nobody is in hand.
export function operator(tags) {
  if (who().person || tags.operator) return [];
  return [h("label", { class: "field" }, t("tag.operator"), h("input", { name: "operator", maxlength: "64", autocomplete: "off", required: true }))];
}

export function signed(said, body) {
  return said.get("operator") ? { ...body, operator: said.get("operator").trim() } : body;
}
