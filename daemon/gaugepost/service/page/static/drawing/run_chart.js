// A run chart: measurements in their order between limits, guard bands, and the masterings and checks between them.

import { s } from "../common/dom.js";
import { TONE } from "./shapes.js";

const HEIGHT = 420;
const TOP = 24;
const BOTTOM = 380;
const LEFT = 96;
const WIDE = 1000;
const MOST_MARKS = 60;
let right = WIDE - 15;

// `said` is what /run-chart answers; `open(id)` opens a point; `label(point)` and `mark(mark)` say it in words.
export function runChart(said, { open, label, mark, title }) {
  // On a narrow screen it is drawn less wide, not smaller: digits and points stay as large as they are to be read.
  const width = matchMedia("(max-width: 44rem)").matches ? (said.points.length > 25 ? 700 : 520) : WIDE;
  right = width - 15;
  const svg = s("svg", { class: "chart", viewBox: `0 0 ${width} ${HEIGHT}`, role: "group", "aria-label": title });
  const { limits, points } = said;
  const y = upright(limits, points);
  const x = (at) => LEFT + 14 + (at * (right - LEFT - 28)) / Math.max(1, points.length - 1);
  zones(svg, limits, points, x, y);
  marks(svg, said, x, mark);
  const joined = points.map((point, at) => [x(at), y(point.value), point]).filter(([, , point]) => point.value !== undefined && !point.replaced);
  svg.append(s("path", { class: "chart-line", d: joined.map(([left, top], at) => `${at ? "L" : "M"}${left.toFixed(1)} ${top.toFixed(1)}`).join("") || "M0 0" }));
  const drawn = points.map((point, at) => dot(point, x(at), y(point.value), label(point), () => open(point.id)));
  svg.append(...drawn);
  if (drawn.length) roving(svg, drawn);
  return svg;
}

function upright(limits, points) {
  const values = points.filter((point) => point.value !== undefined).map((point) => Number(point.value));
  const ends = [limits.lower, limits.upper].filter((each) => each !== undefined).map(Number);
  let low = Math.min(...ends, ...values);
  let high = Math.max(...ends, ...values);
  if (ends.length === 2) { // one wild point must not press all others into a line
    const tolerance = Math.max(...ends) - Math.min(...ends);
    low = Math.max(low, Math.min(...ends) - 1.5 * tolerance);
    high = Math.min(high, Math.max(...ends) + 1.5 * tolerance);
  }
  const room = (high - low) * 0.06 || 1e-6;
  return (value) => {
    const share = (Number(value) - (low - room)) / (high - low + 2 * room);
    return Math.min(BOTTOM + 12, Math.max(TOP - 12, BOTTOM - share * (BOTTOM - TOP)));
  };
}

function zones(svg, limits, points, x, y) {
  const top = limits.upper === undefined ? TOP - 12 : y(limits.upper);
  const bottom = limits.lower === undefined ? BOTTOM + 12 : y(limits.lower);
  svg.append(
    s("rect", { class: "scale-outside", x: LEFT, y: TOP - 14, width: right - LEFT, height: BOTTOM - TOP + 28 }),
    s("rect", { class: "scale-inside", x: LEFT, y: top, width: right - LEFT, height: Math.max(0, bottom - top) }),
  );
  guard(svg, points, "lower", x, y);
  guard(svg, points, "upper", x, y);
  for (const name of ["lower", "upper"]) {
    if (limits[name] === undefined) continue;
    const at = y(limits[name]);
    svg.append(s("path", { class: "scale-limit", d: `M${LEFT} ${at}H${right}` }),
      s("text", { class: "chart-text", x: LEFT - 8, y: at + 6, "text-anchor": "end" }, limits.shown[name]));
  }
  if (limits.nominal !== undefined && limits.nominal !== limits.lower && limits.nominal !== limits.upper) {
    const at = y(limits.nominal);
    svg.append(s("path", { class: "scale-nominal", d: `M${LEFT} ${at}H${right}` }));
  }
}

// The guard band as it was for each point: it moves with the uncertainty of its day.
function guard(svg, points, name, x, y) {
  const half = points.length > 1 ? (x(1) - x(0)) / 2 : 20;
  points.forEach((point, at) => {
    const accepted = point[`${name}_acceptance`];
    if (accepted === undefined || point[name] === undefined) return;
    const edge = y(accepted);
    const limit = y(point[name]);
    const from = Math.max(LEFT, x(at) - half);
    svg.append(s("rect", { class: "scale-guard", x: from, width: Math.min(right, x(at) + half) - from, y: Math.min(edge, limit), height: Math.abs(edge - limit) }));
  });
}

function marks(svg, said, x, words) {
  const { points } = said;
  for (const each of said.marks.slice(-MOST_MARKS)) {
    const after = points.findIndex((point) => point.sequence > each.sequence);
    const at = after < 0 ? x(points.length - 1) + 12 : (after === 0 ? x(0) - 12 : (x(after - 1) + x(after)) / 2);
    svg.append(s("g", { class: `chart-mark chart-mark-${each.kind}` }, s("title", {}, words(each)),
      s("path", { d: `M${at} ${TOP - 14}V${BOTTOM + 14}` }),
      s("text", { class: "chart-text", x: at, y: BOTTOM + 34, "text-anchor": "middle" }, each.kind === "mastering" ? "M" : each.kind === "check" ? "C" : "R")));
  }
}

function dot(point, left, top, label, open) {
  const gone = Boolean(point.replaced);
  const mark = gone ? `M${left - 6} ${top - 6}l12 12m0-12l-12 12`
    : point.word === "in-limits" || point.word === "accepted" ? `M${left - 6} ${top}a6 6 0 1 0 12 0a6 6 0 1 0-12 0z`
      : point.word === "oversize" ? `M${left - 8} ${top + 6}h16l-8-14z`
        : point.word === "undersize" ? `M${left - 8} ${top - 6}h16l-8 14z` : `M${left} ${top - 8}l8 8l-8 8l-8-8z`;
  return s("g", {
    class: `chart-point ${gone ? "is-gone" : TONE[point.word] ?? ""}`, role: "button", tabindex: "-1", "data-at": point.sequence, "aria-label": label, onclick: open,
  }, s("title", {}, label), s("rect", { class: "chart-reach", x: left - 12, y: top - 14, width: 24, height: 28 }), s("path", { d: mark }));
}

// One stop for the tab key; arrows go from point to point.
export function roving(svg, drawn) {
  let at = drawn.length - 1;
  drawn[at].setAttribute("tabindex", "0");
  svg.addEventListener("keydown", (event) => {
    const to = { ArrowLeft: at - 1, ArrowRight: at + 1, Home: 0, End: drawn.length - 1 }[event.key];
    if (event.key === "Enter" || event.key === " ") {
      event.preventDefault();
      drawn[at].dispatchEvent(new MouseEvent("click"));
    } else if (to !== undefined && drawn[to]) {
      event.preventDefault();
      drawn[at].setAttribute("tabindex", "-1");
      at = to;
      drawn[at].setAttribute("tabindex", "0");
      drawn[at].focus();
    }
  });
}
