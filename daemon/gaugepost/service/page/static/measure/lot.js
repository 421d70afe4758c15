// The lot as a grid: a row a piece, a column a characteristic, in each cell the shape and what it means.

import { h, put } from "../common/dom.js";
import { t, word } from "../common/words.js";
import { shape, TONE } from "../drawing/shapes.js";

export function lot(place, choose) {
  const title = h("h2", {});
  const head = h("tr", {});
  const body = h("tbody", {});
  const table = h("table", { class: "lot" }, h("thead", {}, head), body);
  const known = new Map();
  const box = h("div", { class: "scrolls lot-box", tabindex: "0", role: "region", "aria-label": t("measure.lot_grid") }, table);
  const counts = h("p", { class: "lot-counts" });
  place.append(title, counts, box);

  return function show(seen) {
    put(title, seen.lot ? [t("measure.lot", { name: seen.lot }), " ", h("a", { class: "to-record", href: `#inspection/${encodeURIComponent(seen.lot)}` }, t("inspection.of_lot"))] : t("measure.no_lot"));
    put(counts, summed(seen.pieces));
    put(head, h("th", { scope: "col" }, t("tag.piece")), seen.characteristics.map((name) => h("th", { scope: "col" }, name)));
    const rows = [...seen.pieces].reverse().map((row) => kept(row, row.piece === seen.piece));
    if (rows.length !== body.children.length || rows.some((row, at) => row !== body.children[at])) body.replaceChildren(...rows);
  };

  // A row is made anew only where something of it is another: a lot has hundreds.
  function kept(row, current) {
    const text = JSON.stringify([row, current]);
    const before = known.get(row.piece);
    if (before?.text === text) return before.element;
    const element = line(row, current, choose);
    known.set(row.piece, { text, element });
    return element;
  }
}

function line(row, current, choose) {
  return h("tr", { class: current ? "current" : null },
    h("th", { scope: "row" }, current ? row.piece : h("button", {
      type: "button", class: "quiet", onclick: () => choose({ piece: row.piece }), "aria-label": t("measure.take_up", { piece: row.piece }),
    }, row.piece)),
    row.cells.map(cell));
}

function cell(each) {
  const said = each.word ?? (each.taken ? "taken" : null);
  if (!said) return h("td", {}, h("span", { class: "said" }, t("measure.open")), h("span", { class: "soft", "aria-hidden": "true" }, "·"));
  const text = each.word ? word("word", each.word) : t("measure.progress", { taken: each.taken, wanted: each.wanted });
  return h("td", { class: TONE[said] ?? "" }, h("span", { class: "lot-cell", title: text }, shape(said), h("span", { class: "lot-text" }, text),
    each.attempt > 1 ? h("small", {}, ` ${t("measure.attempt_short", { number: each.attempt })}`) : null));
}

function summed(pieces) {
  const counts = new Map();
  for (const each of pieces) if (each.word) counts.set(each.word, (counts.get(each.word) ?? 0) + 1);
  return [...counts].map(([said, count]) => h("span", { class: TONE[said] ?? "" }, shape(said), ` ${count} ${word("word", said)} `));
}
