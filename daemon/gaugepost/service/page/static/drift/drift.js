// How a gauge went over time: what its masterings found, and how far off its checks were.

import { get } from "../common/ask.js";
import { h, put } from "../common/dom.js";
import { told } from "../common/told.js";
import { moment, t, word } from "../common/words.js";
import { latest } from "../app/latest.js";
import { overTime } from "../drawing/over_time.js";
import { askRecord } from "../look/record.js";

const REST_MS = 1000;
const DAY_MS = 86_400_000;
const PERIODS = [7, 30, 90, 365, 0];

export function open(place) {
  const named = location.hash.split("/")[1];
  const wanted = { gauge: named ? decodeURIComponent(named) : null, days: 90 };
  const asked = h("form", { class: "asked" });
  const back = h("p", {});
  const all = h("div", { class: "look" });
  place.append(h("div", { class: "look" }, h("h1", {}, t("drift.title")), asked, back, all));
  asked.addEventListener("submit", (event) => event.preventDefault());

  const refresh = latest(async () => {
    if (!wanted.gauge) return;
    const query = new URLSearchParams({ gauge: wanted.gauge });
    if (wanted.days) query.set("since", new Date(Date.now() - wanted.days * DAY_MS).toISOString().replace(/\.\d+/, ""));
    try {
      const { series } = await get(`/drift?${query}`);
      show(all, series);
    } catch { /* the notice says that the service is away */ }
  }, REST_MS);

  void begin(asked, back, wanted, refresh);
  return {
    refresh(records) {
      if (!records || records.some((each) => ["mastering", "check", "set-up"].includes(each.kind))) refresh();
    },
    close: refresh.end,
  };
}

async function begin(asked, back, wanted, refresh) {
  const { gauges } = await get("/gauges");
  wanted.gauge ??= gauges[0]?.gauge ?? null;
  if (!wanted.gauge) {
    put(asked, h("p", {}, t("gauges.none")));
    return;
  }
  const choose = (name) => (event) => {
    wanted[name] = name === "days" ? Number(event.target.value) : event.target.value;
    history.replaceState(null, "", `#drift/${encodeURIComponent(wanted.gauge)}`);
    link();
    refresh();
  };
  const link = () => put(back, h("a", { href: `#master/${encodeURIComponent(wanted.gauge)}` }, t("drift.master", { gauge: wanted.gauge })));
  put(asked,
    h("label", { class: "field" }, t("measure.gauge"), h("select", { onchange: choose("gauge") }, gauges.map((each) => h(
      "option", { value: each.gauge, selected: each.gauge === wanted.gauge }, each.gauge)))),
    h("label", { class: "field" }, t("drift.period"), h("select", { onchange: choose("days") }, PERIODS.map((days) => h(
      "option", { value: days, selected: days === wanted.days }, days ? t("drift.days", { days }) : t("drift.all"))))));
  link();
  refresh();
}

function show(place, series) {
  const focused = place.contains(document.activeElement) ? document.activeElement.dataset?.at : null;
  put(place, series.length ? series.map(one) : h("p", { class: "sheet" }, t("drift.nothing")));
  if (focused) place.querySelector(`[data-at="${focused}"]`)?.focus();
}

function one(series) {
  const name = [t(`drift.${series.what}`), series.master, series.contact_set && t("drift.contact_set", { name: series.contact_set })].filter(Boolean).join(" · ");
  const label = (point) => [moment(point.measured_at), point.shown.value, point.failed ? word("outcome", "failed") : "", point.operator, ...point.notes].filter(Boolean).join(", ");
  const figures = [
    ["drift.count", String(series.count)],
    ["drift.failed", series.failed ? String(series.failed) : null],
    ["drift.mean", series.shown.mean],
    ["drift.deviation_of", series.shown.standard_deviation],
    ["drift.trend", series.shown.trend && `${series.shown.trend}: ${t(series.trend_beyond_scatter ? "drift.beyond" : "drift.within")}`],
  ];
  const ends = [moment(series.points[0].measured_at), moment(series.points.at(-1).measured_at)];
  return h("section", { class: "sheet" }, h("h2", {}, name),
    series.corrected_to_20_c ? null : h("p", { class: "soft" }, t("drift.not_corrected")),
    overTime(series, { open: (point) => askRecord(String(point.sequence)), label, title: t("drift.chart", { name, count: series.points.length }), ends }),
    h("dl", { class: "facts" }, figures.filter(([, text]) => text).map(([key, text]) => h("div", {}, h("dt", {}, t(key)), h("dd", { class: series.trend_beyond_scatter && key === "drift.trend" ? "is-open" : null }, text)))),
    h("details", {}, h("summary", {}, t("look.table")), h("div", { class: "scrolls", tabindex: "0", role: "region", "aria-label": `${t("look.table")}: ${name}` }, h("table", {},
      h("thead", {}, h("tr", {}, ["at", "value", "outcome", "operator", "notes"].map((key) => h("th", { scope: "col" }, t(`drift.column_${key}`))))),
      h("tbody", {}, [...series.points].reverse().map((point) => h("tr", {},
        h("td", { class: "digits" }, moment(point.measured_at)), h("td", {}, h("button", { type: "button", class: "digits", onclick: () => askRecord(String(point.sequence)) }, point.shown.value)),
        h("td", { class: point.failed ? "is-bad" : null }, word("outcome", series.what === "offset" ? "accepted" : point.failed ? "failed" : "passed")),
        h("td", {}, point.operator ?? ""), h("td", {}, point.notes.flatMap((each, at) => [at ? "; " : null, told(each)])))))))));
}
