// The screen at which is looked back: a characteristic's run chart, its table, and the form that its places show.

import { get } from "../common/ask.js";
import { h, put } from "../common/dom.js";
import { toldList } from "../common/told.js";
import { clock, moment, t, word } from "../common/words.js";
import { latest } from "../app/latest.js";
import { formPicture } from "../drawing/form.js";
import { runChart } from "../drawing/run_chart.js";
import { shape, TONE } from "../drawing/shapes.js";
import { askRecord } from "./record.js";

const REST_MS = 700;
const MADE = new Set(["reading", "result", "form", "void", "amendment", "rejudged", "mastering", "check", "set-up"]);
const HOW_MANY = [50, 200, 500];

export function open(place) {
  const wanted = { characteristic: null, lot: "", last: 50 };
  const asked = h("form", { class: "asked" });
  const chart = h("section", { class: "sheet" });
  const table = h("details", { class: "sheet" });
  const forms = h("section", { class: "sheet" });
  place.append(h("div", { class: "look" }, h("h1", {}, t("look.title")), asked, chart, forms, table));
  asked.addEventListener("submit", (event) => event.preventDefault());

  const refresh = latest(async () => {
    if (!wanted.characteristic) return;
    const query = new URLSearchParams({ last: wanted.last });
    if (wanted.lot) query.set("lot", wanted.lot);
    let said;
    try {
      said = await get(`/characteristics/${encodeURIComponent(wanted.characteristic)}/run-chart?${query}`);
    } catch {
      return;
    }
    showChart(chart, said);
    showTable(table, said);
    showForms(forms, said);
  }, REST_MS);

  void begin(asked, wanted, refresh);
  return {
    refresh(records) {
      if (!records || records.some((each) => MADE.has(each.kind))) refresh();
    },
    close: refresh.end,
  };
}

async function begin(asked, wanted, refresh) {
  const { characteristics } = await get("/characteristics");
  wanted.characteristic = location.hash.split("/")[1] ? decodeURIComponent(location.hash.split("/")[1]) : characteristics[0]?.characteristic ?? null;
  if (!wanted.characteristic) {
    put(asked, h("p", {}, t("look.none")));
    return;
  }
  const change = (name) => (event) => {
    wanted[name] = event.target.value.trim();
    refresh();
  };
  put(asked,
    h("label", { class: "field" }, t("record.characteristic"), h("select", { onchange: change("characteristic") }, characteristics.map((each) => h(
      "option", { value: each.characteristic, selected: each.characteristic === wanted.characteristic }, each.characteristic)))),
    h("label", { class: "field" }, t("tag.lot"), h("input", { onchange: change("lot"), autocomplete: "off", placeholder: t("look.every_lot") })),
    h("label", { class: "field" }, t("look.last"), h("select", { onchange: change("last") }, HOW_MANY.map((each) => h("option", { value: each, selected: each === wanted.last }, String(each))))));
  refresh();
}

function label(point) {
  const state = point.replaced ? word("replaced", point.replaced) : point.word ? word("word", point.word) : "";
  const parts = [
    point.piece && `${t("tag.piece")} ${point.piece}`, point.position, point.shown.value ? `${point.shown.value} ${point.shown.unit}` : "–",
    state, point.attempt > 1 && t("measure.attempt", { number: point.attempt }), clock(point.measured_at),
  ];
  return parts.filter(Boolean).join(", ");
}

function showChart(place, said) {
  const focus = place.contains(document.activeElement);
  const counted = new Map();
  for (const point of said.points) {
    const name = point.replaced ? "gone" : point.word ?? "taken";
    counted.set(name, (counted.get(name) ?? 0) + 1);
  }
  put(place,
    h("h2", {}, `${said.characteristic} `, h("span", { class: "digits soft" }, [said.limits.shown.lower, said.limits.shown.upper].filter(Boolean).join(" … "), ` ${said.limits.unit}`)),
    said.points.length ? runChart(said, { open: askRecord, label, mark, title: t("look.chart", { name: said.characteristic, count: said.points.length }) })
      : h("p", {}, t("look.nothing")),
    h("p", { class: "key" }, [...counted].map(([name, count]) => h("span", { class: TONE[name] ?? "" }, name === "gone" ? "×" : shape(name), ` ${count} ${name === "gone" ? t("look.replaced") : word("word", name)} `)),
      h("span", { class: "soft" }, t("look.key"))));
  if (focus) place.querySelector('.chart-point[tabindex="0"]')?.focus();
}

function mark(each) {
  return [word("kind", each.kind), each.gauge, each.master, each.code && word("outcome", each.code)].filter(Boolean).join(", ");
}

function showTable(place, said) {
  const opened = place.open;
  put(place, h("summary", {}, t("look.table")), h("div", { class: "scrolls", tabindex: "0", role: "region", "aria-label": t("look.table") }, h("table", {},
    h("thead", {}, h("tr", {}, ["at", "piece", "position", "value", "word", "attempt", "gauge"].map((name) => h("th", { scope: "col" }, t(`column.${name}`))))),
    h("tbody", {}, [...said.points].reverse().map((point) => h("tr", { class: point.replaced ? "gone" : null },
      h("td", { class: "digits" }, moment(point.measured_at)), h("td", {}, [point.lot, point.piece].filter(Boolean).join(" / ")), h("td", {}, point.position ?? ""),
      h("td", {}, h("button", { type: "button", class: "digits", "data-id": point.id, onclick: () => askRecord(point.id) }, point.shown.value ?? "–")),
      h("td", {}, point.replaced ? word("replaced", point.replaced) : point.word ? word("word", point.word) : ""),
      h("td", {}, point.attempt ? String(point.attempt) : ""), h("td", {}, point.gauge)))))));
  place.open = opened;
}

function showForms(place, said) {
  const last = said.forms.at(-1);
  place.hidden = !last;
  if (!last) return;
  const figures = (last.shown.form ?? []).map((each) => h("div", {}, h("dt", {}, t(`form.${each.figure}`)), h("dd", { class: "digits" }, each.uncertainty ? `${each.size} ± ${each.uncertainty}` : each.size)));
  const text = (last.shown.form ?? []).map((each) => `${t(`form.${each.figure}`)} ${each.size}`).join(", ");
  put(place, h("h2", {}, t("form.title", { piece: last.piece ?? "–" })), formPicture(last, said.places, text) ?? h("p", {}, t("form.no_picture")),
    h("p", { class: "soft" }, t("form.exaggerated")), h("dl", { class: "facts" }, figures),
    last.reasons ? toldList(last.reasons) : null,
    h("button", { type: "button", "data-id": last.id, onclick: () => askRecord(last.id) }, t("record.title")));
}
