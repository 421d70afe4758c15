// Values of one gauge over time: offsets at masterings around their mean, or deviations at checks between their limits.

import { s } from "../common/dom.js";
import { roving } from "./run_chart.js";

const HEIGHT = 340;
const TOP = 16;
const BOTTOM = 286;
const LEFT = 110;

// `series` is one of those that /drift answers with; `label(point)` says a point in words, `ends` when it begins and ends.
export function overTime(series, { open, label, title, ends }) {
  const width = matchMedia("(max-width: 44rem)").matches ? 640 : 1000; // less wide on a narrow screen, not smaller
  const right = width - 15;
  const svg = s("svg", { class: "chart over-time", viewBox: `0 0 ${width} ${HEIGHT}`, role: "group", "aria-label": title });
  const { points } = series;
  const times = points.map((point) => Date.parse(point.measured_at));
  const from = times[0];
  const long = times.at(-1) - from;
  const x = (time) => (long ? LEFT + 16 + (time - from) / long * (right - LEFT - 32) : (LEFT + right) / 2);
  const limit = points.at(-1).limit_mm === null ? null : Number(points.at(-1).limit_mm);
  const y = upright(points, limit);
  svg.append(s("rect", { class: limit === null ? "scale-inside" : "scale-outside", x: LEFT, y: TOP - 8, width: right - LEFT, height: BOTTOM - TOP + 16 }));
  if (limit !== null) {
    svg.append(s("rect", { class: "scale-inside", x: LEFT, y: y(limit), width: right - LEFT, height: y(-limit) - y(limit) }),
      s("path", { class: "scale-limit", d: `M${LEFT} ${y(limit)}H${right}M${LEFT} ${y(-limit)}H${right}` }),
      s("text", { class: "chart-text", x: LEFT - 8, y: y(limit) + 6, "text-anchor": "end" }, `+${points.at(-1).shown.limit}`),
      s("text", { class: "chart-text", x: LEFT - 8, y: y(-limit) + 6, "text-anchor": "end" }, `-${points.at(-1).shown.limit}`));
  }
  const level = limit === null ? series.mean_mm : 0;
  svg.append(s("path", { class: "scale-nominal", d: `M${LEFT} ${y(level)}H${right}` }),
    s("text", { class: "chart-text", x: LEFT - 8, y: y(level) + 6, "text-anchor": "end" }, limit === null ? series.shown.mean : "0"));
  svg.append(s("path", { class: "chart-line", d: `M${points.map((point, at) => `${x(times[at]).toFixed(1)} ${y(point.value_mm).toFixed(1)}`).join("L")}` }),
    s("text", { class: "chart-text", x: LEFT, y: HEIGHT - 12 }, ends[0]),
    s("text", { class: "chart-text", x: right, y: HEIGHT - 12, "text-anchor": "end" }, ends[1]));
  const drawn = points.map((point, at) => dot(point, x(times[at]), y(point.value_mm), label(point), () => open(point)));
  svg.append(...drawn);
  roving(svg, drawn);
  return svg;
}

function upright(points, limit) {
  const values = points.map((point) => Number(point.value_mm));
  let low = Math.min(...values);
  let high = Math.max(...values);
  if (limit !== null) { // one wild check must not press all others into a line
    low = Math.max(Math.min(low, -limit), -3 * limit);
    high = Math.min(Math.max(high, limit), 3 * limit);
  }
  const room = (high - low) * 0.12 || 0.0005;
  return (value) => {
    const share = (Number(value) - low + room) / (high - low + 2 * room);
    return Math.min(BOTTOM + 6, Math.max(TOP - 6, BOTTOM - share * (BOTTOM - TOP)));
  };
}

function dot(point, left, top, label, open) {
  const mark = point.failed ? `M${left - 8} ${top - 8}l16 16m0-16l-16 16` : point.notes.length
    ? `M${left} ${top - 9}l9 9l-9 9l-9-9z` : `M${left - 6} ${top}a6 6 0 1 0 12 0a6 6 0 1 0-12 0z`;
  return s("g", {
    class: `chart-point ${point.failed ? "is-failed" : point.notes.length ? "is-open" : "is-good"}`, role: "button", tabindex: "-1", "data-at": point.sequence, "aria-label": label, onclick: open,
  }, s("title", {}, label), s("rect", { class: "chart-reach", x: left - 12, y: top - 14, width: 24, height: 28 }), s("path", { d: mark }));
}
