// Where nothing comes, or only garble: how a serial line is set, found out by trying, and what asks a gauge that waits.

import { h } from "../common/dom.js";
import { t } from "../common/words.js";

const BAUDS = [300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200];
const ESCAPED = { "\\r": "\r", "\\n": "\n", "\\t": "\t" };
const WRITTEN = Object.fromEntries(Object.entries(ESCAPED).map(([written, meant]) => [meant, written]));

export function line(lesson, again) {
  const given = lesson.given ?? null;
  const serial = given?.kind === "serial_port";
  if (!given) return null;
  const set = { baud: 9600, bits: 8, parity: "none", ...given.settings };
  const select = (name, values, label = (value) => value) => h("label", { class: "field" }, t(`find.${name}`),
    h("select", { name }, values.map((value) => h("option", { value, selected: String(value) === String(set[name]) }, label(value)))));
  const form = h("form", { class: "find-form" },
    serial ? [select("baud", BAUDS), select("bits", [8, 7]), select("parity", ["none", "even", "odd"], (value) => t(`find.parity_${value}`)),
      h("label", { class: "option" }, h("input", { type: "checkbox", name: "probe" }), t("find.probe"))] : [],
    h("label", { class: "field" }, t("find.request"), h("input", { name: "request", type: "text", maxlength: "64", autocomplete: "off", spellcheck: "false", value: (lesson.request ?? "").replace(/[\r\n\t]/g, (each) => WRITTEN[each]) })),
    h("p", { class: "soft" }, t("find.request_note")), h("button", {}, t("find.so")));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const data = new FormData(form);
    const settings = { ...given.settings };
    if (serial) Object.assign(settings, { baud: Number(data.get("baud")), bits: Number(data.get("bits")), parity: data.get("parity") });
    const request = data.get("request").replace(/\\[rnt]/g, (each) => ESCAPED[each]);
    again({ kind: given.kind, settings, keep_s: 120, ...(request ? { request } : {}), ...(data.get("probe") ? { probe: true } : {}) });
  });
  return h("details", { class: "find-line" }, h("summary", {}, t("find.nothing")), h("p", {}, t("find.nothing_note")), form);
}
