// The pieces of an inspection record: one word for each, then every measurement, those that were voided or repeated too.

import { h } from "../common/dom.js";
import { told } from "../common/told.js";
import { moment, rule, t, word } from "../common/words.js";
import { shape, TONE } from "../drawing/shapes.js";

const COLUMNS = ["what", "limits", "value", "deviation", "uncertainty", "word", "attempt", "with", "who", "record"];

// A table of the drawing, and how many pieces came to what.
export function summary(said) {
  const counts = new Map();
  for (const each of said.pieces) {
    const name = each.word ?? "open";
    counts.set(name, (counts.get(name) ?? 0) + 1);
  }
  return h("section", {}, h("h2", {}, t("inspection.drawing")),
    h("div", { class: "scrolls", tabindex: "0", role: "region", "aria-label": t("inspection.drawing") }, h("table", { class: "paper-table" },
      h("thead", {}, head(["characteristic", "nominal", "limits", "rule"])),
      h("tbody", {}, said.characteristics.map((each) => h("tr", {}, h("th", { scope: "row" }, each.characteristic, each.size_modifier ? ` (${each.size_modifier})` : ""),
        h("td", { class: "digits" }, each.limits.nominal ?? ""), h("td", { class: "digits" }, span(each.limits.shown), ` ${each.limits.unit}`), h("td", {}, rule(each.rule ?? "simple acceptance"))))))),
    h("p", { class: "lot-counts" }, [...counts].map(([name, count]) => h("span", { class: TONE[name] ?? "" }, name === "open" ? null : shape(name),
      ` ${count} ${name === "open" ? t("measure.open") : word("word", name)} `))));
}

function span(shown) {
  return [shown.lower, shown.upper].filter(Boolean).join(" … ");
}

function head(names) {
  return h("tr", {}, names.map((name) => h("th", { scope: "col" }, t(`inspection.column_${name}`))));
}

// One table for all of them, whose head is repeated on each page; a group of rows is a piece.
export function pieces(said) {
  return h("section", {}, h("h2", {}, t("measure.attempts")),
    h("div", { class: "scrolls", tabindex: "0", role: "region", "aria-label": t("measure.attempts") },
      h("table", { class: "paper-table" }, h("thead", {}, head(COLUMNS)), said.pieces.map((piece) => h("tbody", {},
        h("tr", { class: "paper-piece" }, h("th", { scope: "rowgroup", colspan: String(COLUMNS.length) }, piece.piece === null ? t("measure.no_piece") : t("measure.piece", { name: piece.piece }), " ",
          piece.word ? h("span", { class: TONE[piece.word] ?? "" }, shape(piece.word), ` ${word("word", piece.word)}`) : h("span", { class: "soft" }, t("measure.open")))),
        piece.measurements.flatMap((each) => measurement(each, said.zone)), piece.forms.map(form))))));
}

function measurement(each, zone) {
  const { shown } = each;
  const said = each.replaced ? null : each.word;
  const accepted = [shown.lower_acceptance, shown.upper_acceptance].filter(Boolean).join(" … ");
  const cells = [
    h("th", { scope: "row" }, each.characteristic ?? "–", each.position ? ` · ${each.position}` : "", each.combined ? ` (${t("inspection.result")})` : ""),
    h("td", { class: "digits" }, span(shown), accepted ? h("small", {}, t("inspection.accepts"), " ", h("span", {}, accepted)) : null),
    h("td", { class: "digits" }, h("b", { class: "value" }, shown.value ? `${shown.value} ${shown.unit}` : "–"), shown.indication ? h("small", {}, t("inspection.showed"), " ", h("span", {}, shown.indication)) : null),
    h("td", { class: "digits" }, shown.deviation ?? ""),
    h("td", { class: "digits" }, shown.uncertainty ? [`± ${shown.uncertainty}`, h("small", {}, `k = ${shown.coverage_factor}`)] : t("measure.no_uncertainty")),
    h("td", { class: TONE[said] ?? "" }, said ? h("span", { class: "digits" }, shape(said), ` ${word("word", said)}`) : "", each.decision && !each.replaced ? h("small", {}, word("decision", each.decision)) : null),
    h("td", { class: "digits" }, each.attempt ? String(each.attempt) : ""),
    h("td", {}, each.gauge, each.master ? h("small", {}, `${each.master} (${each.mastering ?? "–"})`) : null),
    h("td", {}, each.operator ?? "–", h("small", { class: "digits" }, moment(each.measured_at, zone))),
    h("td", { class: "digits" }, String(each.sequence)),
  ];
  const notes = notesOf(each, zone);
  return [h("tr", { class: each.replaced ? "gone" : null, "data-id": each.id }, cells),
    notes.length ? h("tr", { class: "paper-notes" }, h("td", { colspan: String(COLUMNS.length) }, h("ul", {}, notes))) : null];
}

// Why no uncertainty stands there: once for all measurements of which it is the same, with their numbers where it differs.
export function withoutUncertainty(said) {
  const alike = new Map();
  for (const each of said.pieces.flatMap((piece) => piece.measurements)) {
    if (each.shown.uncertainty || !each.uncertainty_reasons?.length) continue;
    const key = JSON.stringify(each.uncertainty_reasons);
    alike.set(key, [...(alike.get(key) ?? []), each.sequence]);
  }
  if (!alike.size) return null;
  return h("section", { class: "paper-notes" }, h("h3", {}, t("inspection.no_uncertainty")), [...alike].map(([key, records]) => [
    alike.size > 1 ? h("p", { class: "digits" }, t("inspection.of_records", { records: records.join(", ") })) : null,
    h("ul", {}, JSON.parse(key).map((each) => h("li", {}, told(each)))),
  ]).flat().filter(Boolean));
}

// What is to be known of a measurement beside its numbers: that it is void and why, why it was repeated, the reasons.
function notesOf(each, zone) {
  const by = each.replaced;
  const sentence = (text) => h("li", {}, told(text));
  return [
    by ? h("li", {}, h("b", {}, word("replaced", by.kind)), by.at ? ` ${t("inspection.by", { operator: by.operator ?? "–", at: moment(by.at, zone), record: by.sequence })}` : "",
      by.text ? [": ", told(by.text)] : null) : null,
    each.suspect ? h("li", {}, word("word", "suspect")) : null,
    each.text && !by ? sentence(each.text) : null,
    ...(each.reasons ?? []).map(sentence),
    each.requirements_not_judged ? h("li", {}, t("measure.beside", { what: each.requirements_not_judged.map((one) => word("requirement", one)).join(", ") })) : null,
  ].flat().filter(Boolean);
}

function form(each) {
  const figures = (each.shown.form ?? []).map((one) => `${t(`form.${one.figure}`)} ${one.uncertainty ? `${one.size} ± ${one.uncertainty}` : one.size}`);
  return h("tr", {}, h("th", { scope: "row" }, `${each.characteristic}: ${t("kind.form")}`), h("td", { colspan: String(COLUMNS.length - 2) }, figures.join(" · ")), h("td", { class: "digits" }, String(each.sequence)));
}
