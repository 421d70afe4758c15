// A table that a narrow screen shows as one sheet below the other, each cell with its heading; its roles stay said.

import { h } from "../common/dom.js";

// `rows` are lists of cells, the first of which names the row; a heading that is false leaves its cells out.
export function table(name, headings, rows, { more = "", rowClass = () => null } = {}) {
  return h("div", { class: "scrolls", tabindex: "0", role: "region", "aria-label": name }, h("table", { class: `part-table ${more}`.trim(), role: "table" },
    h("thead", { role: "rowgroup" }, h("tr", { role: "row" }, headings.filter(Boolean).map((each) => h("th", { scope: "col", role: "columnheader" }, each)))),
    h("tbody", { role: "rowgroup" }, rows.map(([first, ...cells], row) => h("tr", { role: "row", class: rowClass(row) }, h("th", { scope: "row", role: "rowheader" }, h("span", { class: "cell-head", "aria-hidden": "true" }, headings[0]), " ", first),
      cells.map((each, at) => (headings[at + 1] ? h("td", { role: "cell", class: each === "" ? "empty" : null }, h("span", { class: "cell-head", "aria-hidden": "true" }, headings[at + 1]), " ", each) : null)))))));
}
