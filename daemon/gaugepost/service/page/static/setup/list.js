// A drawing's list pasted or taken from a file: previewed row by row by the service, the good rows saved in one edit.

import { get, send } from "../common/ask.js";
import { freshId, h, put } from "../common/dom.js";
import { t, word } from "../common/words.js";
import { tell } from "../app/dialogs.js";
import { others, signing, worthKnowing, wouldChange } from "./form.js";
import { sentence } from "./patch.js";
import { steps } from "./steps.js";
import { table } from "./table.js";

const EXAMPLE = "name;kind;nominal;upper deviation;lower deviation;gauge\ninlet-bore;bore;38 mm;+0.025 mm;0;{gauge}\nseal-seat;bore;62 mm;+0.046 mm;0;{gauge}\ncover-bore;bore;1.2500 in;+0.0010 in;0;{gauge}\n";
const TONES = { new: "is-good", changes: "is-good", same: "soft", wrong: "is-bad" };

export async function openList(file, done) {
  const gauges = Object.keys(file.tables.gauges ?? {});
  const heading = freshId("list");
  const helped = freshId("help");
  const text = h("textarea", { id: freshId("text"), rows: "8", spellcheck: "false", autocapitalize: "none", "aria-describedby": helped, "aria-required": "true" });
  const chosen = h("input", { type: "file", accept: ".csv,.tsv,.txt,text/csv,text/plain", id: freshId("file") });
  const readAs = h("p", { class: "soft", role: "status" });
  const unit = h("select", { id: freshId("unit") }, ["", "mm", "in"].map((each) => h("option", { value: each }, each || t("setup.list_unit_each"))));
  const comma = h("input", { type: "checkbox" });
  const named = gauges.map((name) => h("input", { type: "checkbox", value: name, checked: gauges.length === 1 }));
  const said = h("div", { class: "said-here", role: "alert" });
  const preview = h("div", { class: "list-preview" });
  const review = h("div", { class: "review", hidden: true });
  const button = h("button", { class: "main" }, t("setup.list_look"));
  const leave = h("div", { class: "leave", hidden: true }, h("p", {}, t("setup.leave")), h("p", { class: "doing" },
    h("button", { type: "button", onclick: () => dialog.close() }, t("setup.leave_yes")),
    h("button", { type: "button", onclick: () => { leave.hidden = true; button.focus(); } }, t("setup.leave_no"))));
  const field = (control, label, ...more) => h("div", { class: "set-field" }, h("label", { for: control.id }, label), control, ...more);
  const example = EXAMPLE.replaceAll("{gauge}", gauges[0] ?? "bore-38");
  const form = h("form", { method: "dialog", novalidate: true },
    h("h2", { id: heading }, t("setup.list_title")),
    h("p", {}, t("setup.list_about")),
    h("details", {}, h("summary", {}, t("setup.list_headings")), headings(), h("p", {}, t("setup.list_example")),
      h("pre", { class: "example", tabindex: "0" }, example),
      h("button", { type: "button", onclick: () => { text.value = example; unlook(); text.focus(); } }, t("setup.list_take_example"))),
    field(chosen, t("setup.list_file"), readAs),
    field(text, t("setup.list_text"), h("p", { class: "soft help", id: helped }, t("setup.list_text_help"))),
    h("div", { class: "set-more" },
      field(unit, t("setup.list_unit")),
      h("label", { class: "option" }, comma, t("setup.list_comma")),
      gauges.length ? h("fieldset", { class: "set-field" }, h("legend", {}, t("setup.list_gauges")), h("div", { class: "several" }, named.map((each) => h("label", { class: "option" }, each, each.value)))) : h("p", { class: "is-open" }, t("setup.list_no_gauges"))),
    said, preview, review,
    h("p", { class: "doing" }, h("button", { type: "button", onclick: () => away() }, t("dialog.close")), button), leave);
  const dialog = h("dialog", { class: "wide setup-form list-form", "aria-labelledby": heading }, form);
  let looked = null;
  let sign = signing();

  chosen.addEventListener("change", async () => {
    const taken = chosen.files[0];
    if (!taken) return;
    const { words, as } = decoded(new Uint8Array(await taken.arrayBuffer()));
    text.value = words;
    put(readAs, t("setup.list_read_as", { name: taken.name, as }));
    unlook();
  });

  function away() {
    if (!text.value.trim()) dialog.close();
    else {
      leave.hidden = false;
      leave.querySelector("button").focus();
    }
  }

  function unlook() {
    looked = null;
    review.hidden = true;
    put(preview);
    put(button, t("setup.list_look"));
  }

  async function look() {
    unlook();
    put(said);
    const seen = await send("POST", "/station/list", {
      text: text.value, unit: unit.value || null, gauges: named.filter((each) => each.checked).map((each) => each.value), decimal_comma: comma.checked,
    });
    put(preview, ...shown(seen));
    preview.scrollIntoView({ block: "start" });
    const withComma = !comma.checked && JSON.stringify(seen.rows).includes("has a comma") ? h("p", { class: "is-open" }, t("setup.list_has_comma")) : null;
    put(said, withComma);
    if (!Object.keys(seen.change).length) {
      put(said, h("p", { class: "problem" }, t(seen.counts.wrong ? "setup.list_none_good" : "setup.list_nothing_new")), withComma);
      preview.querySelector("h3").focus();
      return;
    }
    const answer = await send("PATCH", "/station/file", { change: seen.change, sha256: seen.sha256, look: true });
    looked = seen;
    sign = signing();
    const count = seen.counts.new + seen.counts.changes;
    put(review, seen.counts.wrong ? h("p", { class: "is-open" }, t("setup.list_some", { count, wrong: seen.counts.wrong })) : null, ...wouldChange(answer),
      worthKnowing(answer.warnings.filter((each) => !each.key.startsWith("characteristics."))), ...sign.fields);
    review.hidden = false;
    put(button, t("setup.list_save", { count }));
    preview.querySelector("h3").focus({ preventScroll: true });
  }

  async function save() {
    if (sign.operator && !sign.operator.value.trim()) {
      sign.operator.focus();
      return;
    }
    let answer = null;
    try {
      answer = await send("PATCH", "/station/file", { change: looked.change, sha256: looked.sha256, ...sign.said() });
    } catch (error) {
      const fresh = error.status === 409 ? await get("/station/file") : null;
      if (!fresh || fresh.sha256 === looked.sha256) throw error;
      await look();
      put(said, h("p", { class: "is-open" }, t("setup.edited_meanwhile")));
      return;
    }
    dialog.close();
    done(answer);
  }

  steps({
    dialog, form, review, unlook, away,
    dirty: () => text.value.trim() !== "",
    step: () => (looked ? save() : look()),
    failed: (error) => {
      tell(said, error);
      if (error.body?.findings) said.append(others(error.body.findings.filter((each) => each.severity !== "warning")) ?? "");
    },
  });
  text.focus();
}

// Which headings there are, in the language of the page and as programs write them.
function headings() {
  const known = ["name", "kind", "limits", "nominal", "upper deviation", "lower deviation", "tolerance class", "lower limit", "upper limit", "unit", "gauge", "master", "readings", "places", "material"];
  return h("dl", { class: "list-headings" }, known.map((each) => h("div", {}, h("dt", {}, h("code", {}, each)), h("dd", {}, word("heading", each)))));
}

// A file's text: UTF-8, or as spreadsheets write where they don't say; which one is told.
function decoded(bytes) {
  const mark = [bytes[0], bytes[1]].join();
  const as = mark === "255,254" ? "utf-16le" : mark === "254,255" ? "utf-16be" : "utf-8";
  try {
    return { words: new TextDecoder(as, { fatal: true }).decode(bytes), as };
  } catch { /* it is in none of them */ }
  return { words: new TextDecoder("windows-1252").decode(bytes), as: "windows-1252" };
}

function shown(seen) {
  const { counts } = seen;
  const at = (found, column) => found.filter((each) => each.column === column);
  const says = (found) => found.map((each) => h("span", { class: each.severity === "warning" ? "says is-open" : "says problem" }, sentence(each)));
  const wrongIn = (row) => {
    const columns = [...new Set(row.findings.filter((each) => each.column !== null && each.severity !== "warning").map((each) => seen.headings[each.column]?.heading))];
    return columns.length ? h("span", { class: "soft" }, `: ${columns.join(", ")}`) : null;
  };
  const width = Math.max(seen.headings.length, ...seen.rows.map((row) => row.cells.length));
  return [
    h("h3", { tabindex: "-1" }, t("setup.list_counts", { rows: seen.rows.length, good: counts.new + counts.changes, same: counts.same, wrong: counts.wrong })),
    seen.findings.length ? h("ul", { class: "plain" }, seen.findings.map((each) => h("li", { class: each.severity === "warning" ? "is-open" : "problem" },
      each.column === null ? null : `${t("setup.list_column", { number: each.column + 1 })} `, sentence(each)))) : null,
    table(t("setup.list_preview"), [t("setup.list_line"), t("setup.list_becomes"), t("setup.limits"), ...Array.from({ length: width }, (_, column) => seen.headings[column]?.heading || t("setup.list_column", { number: column + 1 }))],
      seen.rows.map((row) => [
        String(row.line),
        [h("b", { class: TONES[row.state] }, t(`setup.list_${row.state}`)), wrongIn(row), ...says(row.findings.filter((each) => each.column === null))],
        h("span", { class: "digits" }, row.limits ? `${[row.limits.lower, row.limits.upper].map((each) => each ?? "").join(" … ")} ${row.limits.unit}` : "–"),
        ...Array.from({ length: width }, (_, column) => {
          const found = says(at(row.findings, column));
          return found.length ? [row.cells[column] ?? "", ...found] : row.cells[column] ?? "";
        }),
      ]), { more: "list-table", rowClass: (row) => (seen.rows[row].state === "wrong" ? "wrong" : null) }),
  ].filter(Boolean);
}
