// Temperatures of gauge and master as they came, over twice the time in which they are held to stand still.

import { s } from "../common/dom.js";

const WIDTH = 560;
const HEIGHT = 230;
const LEFT = 78;
const RIGHT = 554;
const TOP = 14;
const BOTTOM = 192;
const LEAST_K = 0.6;

// `soak` is that of /gauges/…/mastering; `axis` says when the picture begins and that it ends now.
export function soakPicture(soak, label, axis) {
  const drawn = soak.bodies.filter((each) => each.course?.length);
  if (!drawn.length) return null;
  const values = drawn.flatMap((each) => each.course.map((point) => Number(point.temperature_c)));
  const middle = (Math.min(...values) + Math.max(...values)) / 2;
  const half = Math.max((Math.max(...values) - Math.min(...values)) / 2, LEAST_K / 2) * 1.15;
  const long = 2 * soak.window_s;
  const x = (ago) => RIGHT - Math.min(ago, long) / long * (RIGHT - LEFT);
  const y = (celsius) => BOTTOM - (Number(celsius) - middle + half) / (2 * half) * (BOTTOM - TOP);
  const svg = s("svg", { class: "soak", viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", "aria-label": label });
  svg.append(s("rect", { class: "scale-inside", x: LEFT, y: TOP - 8, width: RIGHT - LEFT, height: BOTTOM - TOP + 16 }),
    s("rect", { class: "soak-window", x: x(soak.window_s), y: TOP - 8, width: RIGHT - x(soak.window_s), height: BOTTOM - TOP + 16 }));
  for (const at of [middle - half * 0.8, middle, middle + half * 0.8]) {
    svg.append(s("path", { class: "soak-grid", d: `M${LEFT} ${y(at)}H${RIGHT}` }),
      s("text", { class: "chart-text", x: LEFT - 8, y: y(at) + 6, "text-anchor": "end" }, `${at.toFixed(1)} °C`));
  }
  for (const each of drawn) svg.append(s("path", { class: `soak-line soak-${each.body}`, d: steps(each.course, x, y) }));
  svg.append(s("text", { class: "chart-text", x: LEFT, y: HEIGHT - 10 }, axis.from),
    s("text", { class: "chart-text", x: RIGHT, y: HEIGHT - 10, "text-anchor": "end" }, axis.now));
  return svg;
}

// What stands still is not sent again: a temperature holds until the next one.
function steps(course, x, y) {
  let path = "";
  for (const point of course) {
    const left = x(point.ago_s).toFixed(1);
    const top = y(point.temperature_c).toFixed(1);
    path += path ? `H${left}V${top}` : `M${left} ${top}`;
  }
  return `${path}H${RIGHT}`;
}
