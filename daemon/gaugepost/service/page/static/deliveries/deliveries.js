// Where records go: how far each destination got, what it lags behind, what it set aside and why, in the far side's words.

import { get, send } from "../common/ask.js";
import { h, put } from "../common/dom.js";
import { told } from "../common/told.js";
import { moment, t, word } from "../common/words.js";
import { ask } from "../app/dialogs.js";
import { inHand } from "../app/in_hand.js";
import { latest } from "../app/latest.js";
import { askRecord } from "../look/record.js";
import { operator, signed } from "../measure/actions.js";

const REST_MS = 1000;
const LOOK_MS = 3_000;
const TONES = { delivering: "is-good", idle: "is-good", removed: "soft", broken: "is-bad" };
const WRONG = new Set(["unreachable", "broken", "disabled"]);

export function open(place, station) {
  const list = h("div", { class: "deliveries" });
  const nothing = h("p", { class: "sheet", hidden: true }, t("deliveries.none"));
  place.append(h("div", { class: "look" }, h("h1", {}, t("deliveries.title")), nothing, list));
  const cards = new Map();

  const refresh = latest(async () => {
    try {
      const [{ destinations }, { head }] = await Promise.all([get("/destinations"), get("/station")]);
      const full = await Promise.all(destinations.map((each) => get(`/destinations/${encodeURIComponent(each.destination)}`)));
      nothing.hidden = full.length > 0;
      for (const name of [...cards.keys()]) if (!full.some((each) => each.destination === name)) drop(cards, name);
      for (const each of full) {
        if (!cards.has(each.destination)) cards.set(each.destination, card(list, () => refresh(), station));
        cards.get(each.destination).show(each, head);
      }
    } catch { /* the notice says that the service is away */ }
  }, REST_MS);

  refresh();
  const timer = setInterval(refresh, LOOK_MS);
  return {
    refresh: () => refresh(),
    close() {
      clearInterval(timer);
      refresh.end();
    },
  };
}

function drop(cards, name) {
  cards.get(name).box.remove();
  cards.delete(name);
}

function card(list, again, station) {
  const title = h("h2", {});
  const about = h("div", { class: "delivery-about" });
  const doing = h("div", { class: "choices" });
  const aside = h("div", {});
  const box = h("section", { class: "sheet delivery" }, title, about, doing, aside);
  list.append(box);

  function show(seen, head) {
    box.setAttribute("aria-label", seen.destination);
    put(title, seen.destination, " ", h("span", { class: TONES[seen.state] ?? "is-open" }, word("delivery", seen.state)));
    put(about, progress(seen, head), trouble(seen),
      h("dl", { class: "facts" }, facts(seen).filter(([, text]) => text).map(([name, text]) => h("div", {}, h("dt", {}, t(`deliveries.${name}`)), h("dd", {}, text)))));
    const retry = (name, body, count) => askRetry(seen, name, body, count, again, station);
    put(doing, ["disabled", "removed"].includes(seen.state) ? null : [
      h("button", { type: "button", onclick: () => retry("try", {}) }, t("deliveries.try")),
      seen.refused ? h("button", { type: "button", onclick: () => retry("all", { all: true }, seen.refused) }, t("deliveries.again_all", { count: seen.refused })) : null,
    ]);
    put(aside, table("set_aside", seen.set_aside, (each) => [
      h("td", {}, told(each.answer ?? "")), h("td", { class: "digits" }, moment(each.answered_at)),
      h("td", {}, each.again ? t("deliveries.on_its_way") : h("button", { type: "button", "aria-label": t("deliveries.again_one", { record: number(each.id) }),
        onclick: () => retry("one", { records: [each.id] }, 1) }, t("deliveries.again"))),
    ], ["record", "answer", "answered_at", "do"]),
    table("skipped_records", seen.skipped_records, (each) => [
      h("td", {}, told(each.answer ?? "")), h("td", { class: "digits" }, moment(each.skipped_at)), h("td", {}, [each.operator, each.reason].filter(Boolean).join(": ")),
    ], ["record", "answer", "skipped_at", "why"]));
  }

  return { box, show };
}

// How much of the journal it has; drawn, and said in words.
function progress(seen, head) {
  if (seen.through === null) return null;
  const text = seen.lag ? t("deliveries.lag", { count: seen.lag, through: seen.through, head }) : t("deliveries.all_there", { head });
  return h("div", {}, h("p", { class: seen.lag ? "is-open" : "" }, text), h("progress", { max: Math.max(1, head), value: Math.min(seen.through, head), "aria-label": text }));
}

function trouble(seen) {
  return seen.last_error && WRONG.has(seen.state) ? h("p", { class: "troubles", lang: "en" }, seen.last_error) : null;
}

function facts(seen) {
  const commands = seen.takes_commands;
  return [
    ["kind", word("to_kind", seen.kind)],
    ["since", seen.since && moment(seen.since)],
    ["refused", seen.refused ? String(seen.refused) : null],
    ["skipped", seen.skipped ? String(seen.skipped) : null],
    ["again_count", seen.again ? String(seen.again) : null],
    ["last_error", WRONG.has(seen.state) ? null : seen.last_error],
    ["under_way", seen.under_way && `${number(seen.under_way.first)} … ${number(seen.under_way.last)}`],
    ["takes_commands", commands && `${word("delivery", commands.state)}, ${t("deliveries.commands", { accepted: commands.accepted, refused: commands.refused })}`],
  ];
}

function table(name, rows, cells, columns) {
  if (!rows.length) return null;
  return [h("h3", {}, t(`deliveries.${name}`)), h("div", { class: "scrolls", tabindex: "0", role: "region", "aria-label": t(`deliveries.${name}`) }, h("table", {},
    h("thead", {}, h("tr", {}, columns.map((column) => h("th", { scope: "col" }, t(`deliveries.column_${column}`))))),
    h("tbody", {}, rows.map((each) => h("tr", {},
      h("th", { scope: "row" }, h("button", { type: "button", class: "digits", "aria-label": t("deliveries.open", { record: number(each.id) }), onclick: () => askRecord(each.id) }, number(each.id))),
      cells(each))))))];
}

function number(id) {
  return id.slice(id.lastIndexOf("-") + 1);
}

// Asks before anything is handed over again: the far side gets it out of order.
function askRetry(seen, name, body, count, again, station) {
  const handed = name !== "try";
  ask({
    title: t(handed ? "deliveries.again_title" : "deliveries.try_title", { destination: seen.destination }),
    fields: [
      h("p", {}, handed ? t("deliveries.again_note", { count }) : t("deliveries.try_note")),
      handed ? h("label", { class: "field" }, t("deliveries.reason"), h("input", { name: "reason", maxlength: "300", autocomplete: "off" })) : null,
      ...(handed ? operator(inHand()) : []),
    ].filter(Boolean),
    does: t(handed ? "deliveries.again" : "deliveries.try"),
    act: async (said) => {
      const reason = (said.get("reason") ?? "").trim();
      const answer = await send("POST", `/destinations/${encodeURIComponent(seen.destination)}/retry`, signed(said, { ...body, ...(reason ? { reason } : {}) }));
      station.say(answer.text);
      again();
    },
  });
}
