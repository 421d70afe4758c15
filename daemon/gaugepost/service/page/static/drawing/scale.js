// Two limits, the zone that the decision rule accepts, and where a value lies, to scale. Positions are drawn, not told:
// every number beside the picture is the service's own text.
//
//        │▒▒│                     │▒▒│
//   ─────┼──┼──────────◆──────────┼──┼─────
//      lower                     upper        half the tolerance is drawn beyond each limit

import { s } from "../common/dom.js";

const WIDTH = 1000;
const HEIGHT = 128;
const TOP = 28;
const TALL = 72;
const BOTTOM = TOP + TALL;
const LOWER = 250;
const UPPER = 750;
const MIDDLE = TOP + TALL / 2;

// `limits` has lower, upper, nominal as text; `zone` lower_acceptance, upper_acceptance; `value` has value and uncertainty.
export function scale(limits, zone, value, word, label) {
  const place = placed(limits);
  const svg = s("svg", { class: "scale", viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", "aria-label": label });
  const from = limits.lower === undefined ? 0 : LOWER;
  const to = limits.upper === undefined ? WIDTH : UPPER;
  svg.append(
    s("rect", { class: "scale-outside", x: 0, y: TOP, width: WIDTH, height: TALL }),
    s("rect", { class: "scale-inside", x: from, y: TOP, width: to - from, height: TALL }),
  );
  for (const [end, accepted] of [[from, zone?.lower_acceptance], [to, zone?.upper_acceptance]]) {
    const at = accepted === undefined || !place.scaled ? null : clamped(place(accepted));
    if (at !== null && Math.abs(at - end) > 0.5) svg.append(...band(Math.min(at, end), Math.max(at, end), at));
  }
  if (limits.lower !== undefined) svg.append(line("scale-limit", LOWER, TOP - 12, BOTTOM + 12));
  if (limits.upper !== undefined) svg.append(line("scale-limit", UPPER, TOP - 12, BOTTOM + 12));
  if (place.scaled && limits.nominal !== undefined) {
    const nominal = place(limits.nominal);
    if (nominal > LOWER && nominal < UPPER) svg.append(line("scale-nominal", nominal, TOP, BOTTOM));
  }
  if (value?.value !== undefined) svg.append(marker(place(value.value), reach(value, place), word));
  return svg;
}

function placed(limits) {
  const lower = Number(limits.lower);
  const upper = Number(limits.upper);
  const both = limits.lower !== undefined && limits.upper !== undefined && upper > lower;
  const place = (text) => {
    const at = Number(text);
    if (both) return LOWER + ((at - lower) / (upper - lower)) * (UPPER - LOWER);
    if (limits.lower !== undefined) return at < lower ? 120 : at === lower ? LOWER : 560;
    return at > upper ? 880 : at === upper ? UPPER : 440;
  };
  place.scaled = both;
  return place;
}

function reach(value, place) {
  if (!place.scaled || !value.uncertainty) return null;
  return place(Number(value.value) + Number(value.uncertainty)) - place(value.value);
}

function band(from, to, edge) {
  const lines = [];
  for (let x = from - TALL; x < to; x += 14) {
    const start = Math.max(x, from);
    const end = Math.min(x + TALL, to);
    if (end > start) lines.push(s("path", { class: "scale-hatch", d: `M${start} ${BOTTOM - (start - x)}L${end} ${BOTTOM - (end - x)}` }));
  }
  return [s("rect", { class: "scale-guard", x: from, y: TOP, width: to - from, height: TALL }), ...lines, line("scale-accept", edge, TOP, BOTTOM)];
}

function line(name, x, top, bottom) {
  return s("path", { class: name, d: `M${x} ${top}V${bottom}` });
}

function marker(at, wide, word) {
  const x = clamped(at);
  const mark = s("g", { class: `scale-value scale-${word ?? "taken"}` });
  if (wide !== null && wide > 3) {
    const from = clamped(at - wide);
    const to = clamped(at + wide);
    mark.append(s("path", { class: "scale-reach", d: `M${from} ${MIDDLE}H${to}M${from} ${MIDDLE - 14}v28M${to} ${MIDDLE - 14}v28` }));
  }
  if (at < 0) mark.append(s("path", { d: `M8 ${MIDDLE}l44-32v64z` }));
  else if (at > WIDTH) mark.append(s("path", { d: `M992 ${MIDDLE}l-44-32v64z` }));
  else mark.append(s("path", { d: `M${x} 3V${HEIGHT - 3}`, class: "scale-needle" }), s("path", { d: `M${x} ${MIDDLE - 30}l22 30l-22 30l-22-30z` }));
  return mark;
}

function clamped(x) {
  return Math.max(0, Math.min(WIDTH, x));
}
