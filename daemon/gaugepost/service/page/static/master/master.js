// The screen at which a gauge is mastered and checked: choose the ring, let it soak, read it, see what came of it.

import { get, send } from "../common/ask.js";
import { h, put } from "../common/dom.js";
import { t } from "../common/words.js";
import { latest } from "../app/latest.js";
import { sound } from "../app/sounds.js";
import { choosing } from "./choosing.js";
import { outcome } from "./outcome.js";
import { reading } from "./reading.js";
import { masterCautions, soaking, standing } from "./beside.js";

const REST_MS = 40;
const CALM_MS = 1000;
const LOOK_MS = 5_000;
const TELLS = { accepted: "in-limits", passed: "in-limits", refused: "not-judged", failed: "not-judged" };

export function open(place, station) {
  const named = location.hash.split("/")[1];
  const held = { gauge: named ? decodeURIComponent(named) : null, what: null, seen: null, since: null, stage: null, sounded: null };
  const tabs = h("div", { class: "gauges-tabs" });
  const now = h("section", { class: "sheet master-now" });
  const soak = h("section", { class: "sheet" });
  const stands = h("section", { class: "sheet" });
  place.append(h("div", { class: "master" }, h("h1", {}, t("master.title")), tabs, masterCautions(),
    h("div", { class: "master-columns" }, now, h("div", { class: "master-beside" }, stands, soak))));
  let show = null;

  const acts = {
    // What is known is shown at once: nobody types into a form that the next answer takes away.
    begin(what) {
      held.what = what;
      held.since = null;
      held.stage = null;
      if (held.seen) render();
      refresh();
    },
    // The ring that was just read is still in hand, and nothing has to prove it; a refusal leads to where it is chosen.
    async check(master) {
      try {
        await send("POST", `/gauges/${encodeURIComponent(held.gauge)}/check`, { master });
        refresh();
      } catch {
        acts.begin("check");
      }
    },
    turnTo(gauge) {
      held.gauge = gauge;
      held.seen = null;
      now.replaceChildren();
      acts.begin(null);
    },
    refresh: () => refresh(),
  };

  const refresh = latest(async () => {
    try {
      if (!held.gauge) held.gauge = (await get("/measuring")).gauge;
      const { gauges } = await get("/gauges");
      if (!held.gauge) {
        put(now, h("p", {}, t("gauges.none")));
        return;
      }
      const gauge = held.gauge;
      const seen = await get(`/gauges/${encodeURIComponent(gauge)}/mastering`);
      if (held.gauge !== gauge) return; // another one was chosen meanwhile, and is asked about next
      held.seen = seen;
      showTabs(tabs, gauges, held, acts);
      render();
    } catch { /* the notice says that the service is away */ }
  }, REST_MS);
  const calm = latest(async () => refresh(), CALM_MS);

  function render() {
    const { seen } = held;
    held.since ??= seen.outcome?.sequence ?? 0;
    const fresh = seen.outcome && seen.outcome.sequence > held.since;
    if (seen.procedure) held.what = seen.procedure.procedure;
    const stage = seen.procedure ? "reading" : fresh ? "outcome" : "choosing";
    const key = `${stage} ${held.gauge} ${stage === "choosing" ? held.what ?? seen.next : ""}`;
    if (held.stage !== key) {
      const focused = now.contains(document.activeElement);
      held.stage = key;
      now.replaceChildren();
      show = { reading, outcome, choosing }[stage](now, acts, held.what);
      show(seen);
      const title = now.querySelector("h2");
      if (focused) (now.querySelector('input[type="text"]') ?? title)?.focus();
      if (title) station.say(title.textContent);
    } else {
      show(seen);
    }
    now.dataset.stage = stage;
    now.dataset.read = String(seen.procedure?.sets.reduce((sum, set) => sum + set.readings.length, 0) ?? "");
    if (stage === "outcome" && held.sounded !== seen.outcome.id) {
      held.sounded = seen.outcome.id;
      if (TELLS[seen.outcome.code]) sound(TELLS[seen.outcome.code]);
    }
    soaking(soak, seen.soak);
    standing(stands, seen, acts);
  }

  refresh();
  const timer = setInterval(refresh, LOOK_MS);
  return {
    refresh(records) {
      // Who measures a piece right after a good check has gone on: the page follows.
      const { outcome: last } = held.seen ?? {};
      const passed = held.stage?.startsWith("outcome") && last.kind === "check" && last.code === "passed";
      if (passed && records?.some((each) => each.kind === "reading" && each.gauge === held.gauge)) {
        location.hash = "#measure";
        return;
      }
      if (records?.every((each) => each.kind === "temperature")) calm();
      else refresh();
    },
    close() {
      clearInterval(timer);
      refresh.end();
      calm.end();
    },
  };
}

function showTabs(place, gauges, held, acts) {
  put(place, h("div", { role: "group", "aria-label": t("measure.gauge") }, gauges.map((each) => h("button", {
    type: "button", "aria-pressed": String(each.gauge === held.gauge),
    onclick: () => {
      history.replaceState(null, "", `#master/${encodeURIComponent(each.gauge)}`);
      acts.turnTo(each.gauge);
    },
  }, each.gauge))));
}
