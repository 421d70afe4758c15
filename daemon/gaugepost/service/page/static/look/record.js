// One record opened: its frame, what was added to it, what came out, and the uncertainty budget as things stand.

import { get } from "../common/ask.js";
import { h, put } from "../common/dom.js";
import { told, toldList } from "../common/told.js";
import { moment, rule, t, word } from "../common/words.js";
import { ask, tell } from "../app/dialogs.js";
import { inHand } from "../app/in_hand.js";
import { askVoid } from "../measure/actions.js";
import { shape, TONE } from "../drawing/shapes.js";

const VOIDABLE = new Set(["reading", "result", "form", "amendment", "rejudged"]);

export async function askRecord(id) {
  const place = h("div", { class: "record" });
  const dialog = ask({ title: t("record.title"), fields: [place], wide: true });
  try {
    const record = await get(`/records/${encodeURIComponent(id)}/shown`);
    put(place, ...filled(record, dialog));
    if (record.characteristic && record.gauge) await budget(place, record);
  } catch (error) {
    tell(place, error);
  }
}

function filled(record, dialog) {
  const { shown } = record;
  const said = shown.word;
  return [
    h("p", { class: `record-value digits ${TONE[said] ?? ""}` }, said ? shape(said) : null,
      ` ${shown.value ? `${shown.value} ${shown.unit}` : shown.indication ?? ""} `, h("span", {}, said ? word("word", said) : "")),
    record.replaced_by ? h("p", { class: "is-open" }, t("record.replaced"), " ",
      h("button", { type: "button", onclick: () => { dialog.close(); void askRecord(record.replaced_by); } }, t("record.by"))) : null,
    h("dl", { class: "facts" }, facts(record).filter(([, text]) => text).map(([name, text]) => h("div", {}, h("dt", {}, t(name)), h("dd", { class: "digits" }, text)))),
    record.reasons ? toldList(record.reasons) : null,
    record.members ? h("p", {}, t("record.members"), " ", record.members.map((id) => h("button", {
      type: "button", onclick: () => { dialog.close(); void askRecord(id); } }, id.slice(id.lastIndexOf("-") + 1)))) : null,
    shown.frame ? [h("h3", {}, t("record.frame")), frame(shown.frame)] : null,
    sum(shown),
    VOIDABLE.has(record.kind) && !record.replaced_by ? h("p", {}, h("button", { type: "button", onclick: () => {
      dialog.close();
      askVoid(record, inHand());
    } }, t("measure.void"))) : null,
    h("div", { class: "budget" }),
  ].flat();
}

export function frame(said) {
  return h("dl", { class: "frame-bytes" },
    h("div", {}, h("dt", {}, t("record.characters")), h("dd", {}, h("code", {}, said.text))),
    h("div", {}, h("dt", {}, t("record.hex")), h("dd", {}, h("code", {}, said.hex))));
}

function facts(record) {
  const { shown } = record;
  return [
    ["record.kind", word("kind", record.kind)],
    ["record.at", moment(record.measured_at)],
    ["record.sequence", String(record.sequence)],
    ["tag.operator", record.operator], ["tag.lot", record.lot], ["tag.piece", record.piece],
    ["record.characteristic", [record.characteristic, record.position].filter(Boolean).join(" · ")],
    ["record.attempt", record.attempt && String(record.attempt)],
    ["record.gauge", record.gauge],
    ["record.master", record.master],
    ["fact.deviation", shown.deviation && `${shown.deviation} ${shown.unit}`],
    ["fact.decision", record.decision && word("decision", record.decision)],
    ["fact.rule", record.rule && rule([record.rule, record.rule_parameter].filter(Boolean).join(" "))],
    ["fact.conformity", record.conformity && `${word("conformity", record.conformity)}, ${shown.probability}`],
    ["fact.uncertainty", shown.uncertainty && `± ${shown.uncertainty} (k = ${shown.coverage_factor})`],
    ...(shown.form ?? []).map((each) => [`form.${each.figure}`, each.uncertainty ? `${each.size} ± ${each.uncertainty}` : each.size]),
    ["record.note", record.text && told(record.text)],
  ];
}

// What was added to the indication, line by line, as on a worksheet.
function sum(shown) {
  if (!shown.corrections && !shown.temperatures) return null;
  const lines = [
    shown.indication && [t("record.indication"), shown.indication],
    ...(shown.corrections ?? []).map((each) => [t(`correction.${each.correction}`), each.added]),
    shown.value && [t("record.value"), `${shown.value} ${shown.unit}`],
    ...(shown.temperatures ?? []).map((each) => [t(`body.${each.body}`), `${each.temperature} (${word("source", each.source)})`]),
  ].filter(Boolean);
  return [h("h3", {}, t("record.corrections")), h("table", {}, h("tbody", {}, lines.map(([name, text]) => h("tr", {}, h("th", { scope: "row" }, name), h("td", { class: "digits" }, text)))))];
}

async function budget(place, record) {
  const box = place.querySelector(".budget");
  let said;
  try {
    said = await get(`/records/${encodeURIComponent(record.id)}/budget`);
  } catch {
    return; // of a form, or of no characteristic
  }
  const title = h("h3", {}, t("record.budget"));
  if (!said.stated) {
    put(box, title, toldList(said.reasons));
    return;
  }
  const same = record.uncertainty_mm !== undefined && Number(record.uncertainty_mm) === said.uncertainty_mm;
  put(box, title, h("p", { class: "soft" }, t(same ? "record.budget_same" : "record.budget_then")), h("div", { class: "scrolls", tabindex: "0", role: "region", "aria-label": t("record.budget") }, h("table", {},
    h("thead", {}, h("tr", {}, ["quantity", "source", "standard", "share"].map((name) => h("th", { scope: "col" }, t(`budget.${name}`))))),
    h("tbody", {}, said.components.map((each) => h("tr", {},
      h("th", { scope: "row", lang: "en" }, each.quantity), h("td", { lang: "en" }, each.source),
      h("td", { class: "digits" }, `${each.standard_uncertainty} ${each.unit}`), h("td", { class: "digits" }, `${Math.round(each.share * 100)} %`)))))));
}
