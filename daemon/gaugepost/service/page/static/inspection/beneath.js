// What the numbers of an inspection record rest on, and who signed it.

import { h } from "../common/dom.js";
import { day, moment, t, word } from "../common/words.js";

export function restsOn(said) {
  const dayOf = (time) => (time ? day(time, said.zone) : "");
  return h("section", {}, h("h2", {}, t("inspection.rests_on")),
    table(t("inspection.gauges"), ["gauge", "kind", "resolution", "maximum_error", "due"], said.gauges.map((each) => [
      each.gauge, `${word("contact", each.contact)}, ${word("display", each.display)}`, each.resolution, each.maximum_error && `± ${each.maximum_error}`, dayOf(each.due)])),
    table(t("inspection.masters"), ["master", "serial", "size", "uncertainty", "certificate", "calibrated", "due"], said.masters.map((each) => [
      each.master, each.serial, each.size, each.uncertainty ? `${each.uncertainty} (k = ${each.coverage_factor ?? "–"})` : each.tolerance_class && t("master.class", { name: each.tolerance_class }),
      each.certificate, dayOf(each.calibrated), dayOf(each.due)])),
    table(t("inspection.masterings"), ["record", "gauge", "master", "at", "operator", "spread", "notes"], said.masterings.map((each) => [
      String(each.sequence), each.gauge, each.master, each.at && moment(each.at, said.zone), each.operator, each.spread, (each.reasons ?? []).join("; ")])));
}

function table(title, columns, rows) {
  if (!rows.length) return null;
  return h("div", { class: "scrolls", tabindex: "0", role: "region", "aria-label": title }, h("table", { class: "paper-table" }, h("caption", {}, title),
    h("thead", {}, h("tr", {}, columns.map((name) => h("th", { scope: "col" }, t(`inspection.column_${name}`))))),
    h("tbody", {}, rows.map(([first, ...more]) => h("tr", {}, h("th", { scope: "row" }, first), more.map((text) => h("td", { class: "digits" }, text ?? "")))))));
}

// Printed name, when, and what it means: 21 CFR 11.50(a); and whether what was signed is still what is here.
export function signatures(list, zone) {
  if (!list.length) return h("p", { class: "soft" }, t("inspection.unsigned"));
  return h("section", {}, h("h2", {}, t("inspection.signatures")), h("ul", { class: "paper-signatures" }, list.map((each) => h("li", {},
    h("b", {}, each.printed_name ?? each.signed_by), ` (${each.signed_by}) `, moment(each.signed_at, zone), " · ", word("meaning", each.meaning), " · ",
    t(`inspection.signed_${each.what}`, { lot: each.lot ?? "–", piece: each.piece ?? "–", count: each.count }),
    each.reason ? ` · ${each.reason}` : "", h("span", { class: each.holds === false ? "problem" : "soft" }, ` · ${each.holds === false ? t("inspection.broken") : ""}`,
      h("span", { lang: "en" }, each.standing), ` · ${each.sequence}`)))));
}
