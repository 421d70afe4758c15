// What limits come to while they are typed: asked of the service, which works them out as it does those of the station file.

import { get } from "../common/ask.js";
import { h, put } from "../common/dom.js";
import { t } from "../common/words.js";
import { sentence } from "./patch.js";

const REST_MS = 200;
export const LIMIT_KEYS = ["limits", "lower", "upper", "nominal", "upper_deviation", "lower_deviation", "tolerance_class", "unit", "step"];
const SAYS = LIMIT_KEYS.slice(0, 7);

// Returns a place that says what the limits in `fields` come to, and keeps to them.
export function limitsBeside(fields) {
  const place = h("p", { class: "limits-come", role: "status", "aria-live": "polite" });
  let timer = 0;
  let turn = 0;

  async function look() {
    const mine = ++turn;
    const said = Object.fromEntries([...LIMIT_KEYS, "feature"].map((key) => [key, fields.get(key)?.get()]).filter(([, value]) => value !== undefined));
    if (!SAYS.some((key) => key in said)) {
      put(place);
      return;
    }
    try {
      const answer = await get(`/station/limits?${new URLSearchParams(said)}`);
      if (mine === turn) put(place, answer.unit ? come(answer) : answer.findings.map((each) => h("span", { class: "problem" }, sentence(each))));
    } catch { /* the notice says that the service is away; looking over says what can't be asked */ }
  }

  function typed() {
    clearTimeout(timer);
    timer = setTimeout(look, REST_MS);
  }
  for (const key of [...LIMIT_KEYS, "feature"]) {
    fields.get(key)?.box.addEventListener("input", typed);
  }
  return { place, look };
}

function between(seen) {
  const size = (digits) => `${digits} ${seen.unit}`;
  if (seen.lower === null) return t("setup.at_most", { upper: size(seen.upper) });
  if (seen.upper === null) return t("setup.at_least", { lower: size(seen.lower) });
  return t("setup.between", { lower: size(seen.lower), upper: size(seen.upper) });
}

// Limits in the drawing's unit, tolerance and deviations, and the same in the other unit.
export function come(answer) {
  const { deviations, other } = answer;
  return [
    h("b", { class: "digits" }, between(answer)), " ",
    answer.tolerance && h("span", {}, `${t("setup.tolerance", { tolerance: `${answer.tolerance} ${answer.unit}` })} `),
    deviations && h("span", {}, `${t("setup.deviations", { lower: `${deviations.lower} ${deviations.unit}`, upper: `${deviations.upper} ${deviations.unit}`, nominal: `${answer.nominal} ${answer.unit}` })} `),
    h("span", { class: "soft" }, t("setup.in_other", { limits: between(other) })),
  ].filter(Boolean);
}
