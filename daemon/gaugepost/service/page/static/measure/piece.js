// The piece in hand: each of its characteristics with how far it is, and every attempt, those that are void too.

import { h, put } from "../common/dom.js";
import { t, word } from "../common/words.js";
import { shape, TONE } from "../drawing/shapes.js";

export function piece(place, open) {
  const title = h("h2", {});
  const list = h("ul", { class: "piece" });
  place.append(title, list);

  return function show(seen) {
    const { piece: hand, next } = seen;
    put(title, hand ? [t("measure.piece", { name: hand.piece }), " ", hand.done ? h("span", { class: "soft" }, t("measure.piece_done")) : null, " ",
      h("a", { class: "to-record", href: `#inspection/${encodeURIComponent(seen.tags.lot ?? "")}/${encodeURIComponent(hand.piece)}` }, t("inspection.of_piece"))] : t("measure.no_piece"));
    put(list, hand ? hand.characteristics.map((row) => item(row, row.characteristic === next?.characteristic, open))
      : h("li", { class: "soft" }, t("measure.name_piece")));
  };
}

function item(row, current, open) {
  const said = row.word ?? (row.taken ? "taken" : null);
  const attempts = row.measurements.filter((each) => row.attempt > 1 || each.replaced || row.wanted > 1 || each.combined);
  return h("li", { class: current ? "current" : null, "aria-current": current ? "step" : null },
    h("div", { class: "piece-row" },
      h("span", { class: `piece-word ${TONE[said] ?? "soft"}` }, said ? shape(said) : null,
        h("span", {}, row.word ? word("word", row.word) : t("measure.progress", { taken: row.taken, wanted: row.wanted }))),
      h("span", { class: "piece-name" }, row.characteristic),
      row.attempt > 1 ? h("b", { class: "attempt" }, t("measure.attempt", { number: row.attempt })) : null,
      h("span", { class: "digits piece-value" }, lastValue(row))),
    row.wanted > 1 && h("progress", { max: row.wanted, value: row.taken, "aria-label": `${row.characteristic}: ${t("measure.progress", { taken: row.taken, wanted: row.wanted })}` }),
    attempts.length ? h("ul", { class: "attempts", "aria-label": t("measure.attempts") }, attempts.map((each) => attempt(each, open))) : null);
}

function lastValue(row) {
  const standing = row.measurements.filter((each) => !each.replaced && each.value);
  const last = standing.findLast((each) => each.combined) ?? standing.at(-1);
  return last && (last.combined || row.wanted === 1) ? `${last.value} ${last.unit}` : "";
}

function attempt(each, open) {
  const text = [each.combined && "=", each.attempt > 1 && `${each.attempt}:`, each.position, each.value ?? "–"].filter(Boolean).join(" ");
  const state = each.replaced ? word("replaced", each.replaced) : each.word ? word("word", each.word) : "";
  return h("li", {}, h("button", {
    type: "button", "data-id": each.id, class: `digits attempt-value ${each.replaced ? "gone" : ""} ${TONE[each.word] ?? ""}`,
    onclick: () => open(each.id), "aria-label": `${text} ${state}`.trim(),
  }, each.word && !each.replaced ? shape(each.word) : null, text, each.replaced ? h("small", {}, ` ${state}`) : null));
}
