// The screen at which pieces are measured.

import { get, send } from "../common/ask.js";
import { h, put } from "../common/dom.js";
import { t, word } from "../common/words.js";
import { tell } from "../app/dialogs.js";
import { latest } from "../app/latest.js";
import { sound } from "../app/sounds.js";
import { askRecord } from "../look/record.js";
import { actions } from "./actions.js";
import { cautions } from "./cautions.js";
import { gauges } from "./gauges.js";
import { lot } from "./lot.js";
import { next } from "./next.js";
import { piece } from "./piece.js";
import { result } from "./result.js";

const LOT_REST_MS = 700;
const REST_MS = 40;
const DUE_MS = 15_000;
const QUIET = new Set(["temperature", "trigger", "stream"]);

export function open(place, station) {
  let gauge = null;
  let seen = null;
  const said = h("p", { class: "problem", role: "alert" });
  const choose = async (changes) => {
    put(said);
    try {
      await send("PUT", "/tags", changes);
    } catch (error) {
      tell(said, error);
    }
  };
  const section = (name) => h("section", { class: `sheet ${name}` });
  const parts = { next: h("section", { class: "next-about" }), result: section("result"), actions: h("div", { class: "doing" }, said), piece: section("pieces"), lot: section("lots") };
  const tabs = h("div", { class: "gauges-tabs" });
  const screen = h("div", { class: "measure" }, h("h1", { class: "said" }, t("measure.title")),
    h("div", { class: "measure-now" }, h("div", { class: "sheet next" }, tabs, parts.next), parts.result, parts.actions),
    h("div", { class: "measure-beside" }, parts.piece, parts.lot), cautions());
  place.append(screen);

  const shows = [
    gauges(tabs, (name) => {
      gauge = name;
      refresh();
    }),
    next(parts.next, choose), result(parts.result), actions(parts.actions, choose), piece(parts.piece, askRecord),
  ];
  const showLot = lot(parts.lot, choose);

  const refresh = latest(async () => {
    let now;
    try {
      now = await get(`/measuring${gauge ? `?gauge=${encodeURIComponent(gauge)}` : ""}`);
    } catch {
      return; // the notice says that the service is away; it is asked again once it is back
    }
    for (const show of shows) show({ ...now, chosen: gauge });
    station.inHand(now.tags);
    told(seen, now);
    seen = now;
    screen.dataset.sequence = now.head;
    screen.dataset.shown = now.last?.sequence ?? "";
  }, REST_MS);

  const refreshLot = latest(async () => {
    try {
      showLot(await get("/measuring/lot"));
    } catch { /* as above */ }
  }, LOT_REST_MS);

  function told(before, now) {
    const last = now.last;
    if (!before || !last || last.id === before.last?.id) return;
    const said = last.shown.word ?? "taken";
    station.say(`${last.shown.value ?? last.shown.indication ?? ""} ${last.shown.unit}, ${word("word", said)}`);
    sound(said);
  }

  refresh();
  refreshLot();
  const timer = setInterval(refresh, DUE_MS);
  return {
    refresh(records) {
      if (records?.every((each) => QUIET.has(each.kind))) return;
      refresh();
      refreshLot();
    },
    close() {
      clearInterval(timer);
      refresh.end();
      refreshLot.end();
    },
  };
}
