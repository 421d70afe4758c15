// The form that a bore's places show: sections seen along the axis, and the profile along the depth. What differs is
// drawn many times larger than the bore, and the picture says how many.

import { s } from "../common/dom.js";

const SIZE = 320;
const ROUND = 100;
const SWING = 34;

// `form` is one of /run-chart's forms, `places` its places: angle in degrees, depth in mm, as text.
export function formPicture(form, places, label) {
  const at = new Map(places.map((place) => [place.position, place]));
  const sizes = form.sizes.filter((size) => size.value !== undefined && at.has(size.position))
    .map((size) => ({ ...at.get(size.position), value: Number(size.value), text: size.shown.value, position: size.position }));
  if (sizes.length < 2) return null;
  const values = sizes.map((size) => size.value);
  const mean = values.reduce((sum, value) => sum + value, 0) / values.length;
  const most = Math.max(...values.map((value) => Math.abs(value - mean))) || 1;
  const swing = (value) => (value - mean) / most * SWING;
  const depths = [...new Set(sizes.map((size) => size.depth))].sort((a, b) => Number(a ?? 0) - Number(b ?? 0));
  const sections = depths.map((depth) => sizes.filter((size) => size.depth === depth && size.angle !== null)).filter((list) => list.length > 1);
  const parts = sections.map((list, number) => section(list, swing, number));
  if (depths.length > 1 && depths[0] !== null) parts.push(profile(sizes, depths, swing, parts.length));
  if (!parts.length) return null;
  return s("svg", { class: "form", viewBox: `0 0 ${SIZE * parts.length} ${SIZE}`, role: "img", "aria-label": label }, parts);
}

// A section: diameters by angle, as an outline that is as far from the circle as they are from their mean.
function section(list, swing, number) {
  const middle = [SIZE * number + SIZE / 2, SIZE / 2];
  const known = list.flatMap((size) => [[Number(size.angle) % 360, size.value], [(Number(size.angle) + 180) % 360, size.value]])
    .sort((a, b) => a[0] - b[0]);
  const outline = [];
  for (let degrees = 0; degrees <= 360; degrees += 5) outline.push(polar(middle, degrees, ROUND + swing(between(known, degrees))));
  return s("g", {},
    s("circle", { class: "form-mean", cx: middle[0], cy: middle[1], r: ROUND }),
    s("path", { class: "form-outline", d: `M${outline.map((point) => point.map((each) => each.toFixed(1)).join(" ")).join("L")}z` }),
    list.map((size) => {
      const [x, y] = polar(middle, Number(size.angle), ROUND + swing(size.value));
      const [textX, textY] = polar(middle, Number(size.angle), ROUND - 44);
      return [s("circle", { class: "form-point", cx: x, cy: y, r: 5 }),
        s("text", { class: "chart-text", x: textX, y: textY + 5, "text-anchor": "middle" }, size.text)];
    }).flat(),
    s("text", { class: "chart-text", x: middle[0], y: SIZE - 8, "text-anchor": "middle" }, list[0].depth === null ? "" : `${list[0].depth} mm`));
}

function between(known, degrees) {
  const after = known.findIndex(([angle]) => angle >= degrees);
  const [to, from] = after < 0 ? [known[0], known.at(-1)] : [known[after], known[(after - 1 + known.length) % known.length]];
  const span = (to[0] - from[0] + 360) % 360 || 360;
  const share = ((degrees - from[0] + 360) % 360) / span;
  const smooth = (1 - Math.cos(Math.PI * share)) / 2;
  return from[1] + (to[1] - from[1]) * smooth;
}

function polar([x, y], degrees, radius) {
  const angle = (degrees - 90) * Math.PI / 180;
  return [x + radius * Math.cos(angle), y + radius * Math.sin(angle)];
}

// Along the depth: both walls, as far apart as the sizes are from their mean.
function profile(sizes, depths, swing, number) {
  const left = SIZE * number;
  const first = Number(depths[0]);
  const long = Number(depths.at(-1)) - first || 1;
  const walls = depths.map((depth) => {
    const here = sizes.filter((size) => size.depth === depth);
    const value = here.reduce((sum, size) => sum + size.value, 0) / here.length;
    return [left + 40 + (Number(depth) - first) / long * (SIZE - 80), swing(value) / 2, depth, here];
  });
  const wall = (sign) => `M${walls.map(([x, out]) => `${x.toFixed(1)} ${(SIZE / 2 + sign * (70 + out)).toFixed(1)}`).join("L")}`;
  return s("g", {},
    s("path", { class: "form-mean", d: `M${left + 40} ${SIZE / 2 - 70}h${SIZE - 80}M${left + 40} ${SIZE / 2 + 70}h${SIZE - 80}` }),
    s("path", { class: "form-outline form-wall", d: wall(-1) }), s("path", { class: "form-outline form-wall", d: wall(1) }),
    walls.map(([x, out, depth]) => [s("circle", { class: "form-point", cx: x, cy: SIZE / 2 - 70 - out, r: 5 }),
      s("circle", { class: "form-point", cx: x, cy: SIZE / 2 + 70 + out, r: 5 }),
      s("text", { class: "chart-text", x, y: SIZE - 8, "text-anchor": "middle" }, `${depth} mm`)]).flat());
}
