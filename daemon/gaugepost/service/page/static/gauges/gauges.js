// The screen of the gauges: link, last frame, what it says of itself, mastering with the time left, what is wrong.

import { get } from "../common/ask.js";
import { h, put } from "../common/dom.js";
import { told } from "../common/told.js";
import { clock, moment, t, word } from "../common/words.js";
import { latest } from "../app/latest.js";
import { cautions } from "../measure/cautions.js";
import { frame } from "../look/record.js";

const REST_MS = 700;
const LOOK_MS = 5_000;

export function open(place) {
  const list = h("div", { class: "gauges" });
  place.append(h("h1", {}, t("gauges.title")), h("p", {}, h("a", { href: "#find" }, t("gauges.find"))), list, cautions());

  const refresh = latest(async () => {
    try {
      const [{ gauges }, { links }] = await Promise.all([get("/gauges"), get("/links")]);
      const by = new Map(links.map((each) => [each.link, each]));
      put(list, gauges.length ? gauges.map((each) => card(each, by.get(each.link))) : h("p", {}, t("gauges.none")));
    } catch { /* the notice says that the service is away */ }
  }, REST_MS);

  refresh();
  const timer = setInterval(refresh, LOOK_MS);
  return {
    refresh() {
      refresh();
    },
    close() {
      clearInterval(timer);
      refresh.end();
    },
  };
}

function card(gauge, link) {
  const wrong = troubles(gauge, link);
  return h("section", { class: "sheet gauge", "aria-label": gauge.gauge },
    h("h2", {}, gauge.gauge, " ", h("span", { class: gauge.judged ? "is-good" : "is-open" }, gauge.judged ? t("gauges.judged") : t("gauges.not_judged"))),
    wrong.length ? h("ul", { class: "troubles" }, wrong.map(([what, todo]) => h("li", {},
      h("strong", {}, what), todo ? h("span", {}, ` ${todo}`) : null))) : null,
    h("p", { class: "gauge-links" }, ["master", "drift"].map((name) => h("a", { href: `#${name}/${encodeURIComponent(gauge.gauge)}` }, t(name === "master" ? "drift.master" : "drift.of", { gauge: gauge.gauge })))),
    gauge.procedure ? h("p", { class: "is-open" }, `${word("kind", gauge.procedure.procedure)}: `, told(gauge.procedure.text)) : null,
    h("dl", { class: "facts" }, facts(gauge, link).filter(([, text]) => text).map(([name, text]) => h("div", {}, h("dt", {}, t(`gauges.${name}`)), h("dd", {}, text)))),
    lastFrame(gauge.last_frame));
}

function facts(gauge, link) {
  const mastering = gauge.mastering;
  return [
    ["link", link && `${link.link}: ${word("link", link.state)}${link.description ? ` (${link.description})` : ""}`],
    ["since", link && moment(link.since)],
    ["frames", link && t("gauges.counted", { frames: link.frames, bad: link.bad_frames })],
    ["battery", known(link?.battery_percent) && `${link.battery_percent} %`],
    ["signal", known(link?.signal_dbm) && t(`gauges.signal_${heard(link.signal_dbm)}`, { dbm: link.signal_dbm })],
    ["kind", `${word("contact", gauge.contact)}, ${word("display", gauge.display)}`],
    ["measures", gauge.characteristic],
    ["contact_set", gauge.contact_set],
    ["mastered", mastering && `${mastering.masters.join(" + ")}${mastering.measured_at ? `, ${moment(mastering.measured_at)}` : ""}`],
    ["checked", gauge.checked_at && moment(gauge.checked_at)],
    ["left", gauge.check_left.length > 0 && gauge.check_left.flatMap((each, at) => [at ? "; " : null, told(each)])],
    ["since_check", gauge.mastering && t("gauges.counted_since", { readings: gauge.readings_since_check, pieces: gauge.pieces_since_check })],
    ["calibration", gauge.calibration_due && moment(gauge.calibration_due)],
    ["says", gauge.last_condition && `${gauge.last_condition.text ?? gauge.last_condition.code} (${clock(gauge.last_condition.measured_at)})`],
  ];
}

function known(number) {
  return number !== null && number !== undefined;
}

// How well a signal is heard, in words (common practice, no source).
function heard(dbm) {
  return dbm >= -65 ? "well" : dbm >= -80 ? "enough" : "hardly";
}

// What is wrong, and what to do about it: the service's reasons, and the next step in this language.
function troubles(gauge, link) {
  const found = [];
  if (link && link.state !== "connected") found.push([link.problem ? told(link.problem) : word("link", link.state), t("todo.link")]);
  for (const reason of gauge.reasons) {
    const todo = reason === "not mastered" ? t("todo.master", { gauge: gauge.gauge }) : reason.includes("overdue") ? t("todo.calibrate") : t("todo.check", { gauge: gauge.gauge });
    found.push([told(reason), todo]);
  }
  for (const due of gauge.due_soon) found.push([told(due), ""]);
  return found;
}

function lastFrame(said) {
  if (!said) return h("p", { class: "soft" }, t("gauges.no_frame"));
  const became = [word("kind", said.kind), said.shown.indication && t("gauges.showed", { value: said.shown.indication }),
    said.shown.value && t("gauges.comes_to", { value: `${said.shown.value} ${said.shown.unit}` }), said.shown.word && word("word", said.shown.word)].filter(Boolean).join(", ");
  return h("div", { class: "last-frame" }, h("h3", {}, t("gauges.last_frame"), " ", h("span", { class: "soft digits" }, clock(said.measured_at))),
    said.shown.frame ? frame(said.shown.frame) : null,
    h("p", {}, became), said.text ? h("p", {}, told(said.text)) : null);
}
