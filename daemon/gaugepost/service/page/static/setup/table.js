// A table that a narrow screen shows as one sheet below the other, each cell with its heading; its roles stay said.

import { h } from "../common/dom.js";

// `rows` are lists of cells, the first of which names the row; a heading or cell that is false is left out.
export function table(name, headings, rows) {
  return h("div", { class: "scrolls", tabindex: "0", role: "region", "aria-label": name }, h("table", { class: "part-table", role: "table" },
    h("thead", { role: "rowgroup" }, h("tr", { role: "row" }, headings.filter(Boolean).map((each) => h("th", { scope: "col", role: "columnheader" }, each)))),
    h("tbody", { role: "rowgroup" }, rows.map(([first, ...cells]) => h("tr", { role: "row" }, h("th", { scope: "row", role: "rowheader" }, first),
      cells.map((each, at) => (headings[at + 1] ? h("td", { role: "cell" }, h("span", { class: "cell-head", "aria-hidden": "true" }, headings[at + 1]), " ", each) : null)))))));
}
