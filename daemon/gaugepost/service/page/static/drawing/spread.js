// Readings of one master in their order, and how far they lie apart: the width that they may have, or for a check the
// limits around the master's size. Drawn to scale; the numbers beside it are the service's own text.
//
//      ┌──────────────┐      as wide as the limit
//   1  │    ◆         │
//   2  │        ◆     │
//   3  │      ◆       │

import { s } from "../common/dom.js";

const WIDTH = 1000;
const ROW = 34;
const MOST_ROWS = 12;

// `set` is one of those that /gauges/…/mastering answers with.
export function spreadPicture(set, isCheck, label) {
  const away = set.readings.map((each) => Number(each.away_mm));
  const rows = Math.max(set.wanted, away.length, 2);
  const step = rows > MOST_ROWS ? ROW * MOST_ROWS / rows : ROW;
  const height = step * rows + 16;
  const [low, high] = zone(set, isCheck, away);
  const ends = [low, high, ...away].filter((each) => each !== null);
  const least = Math.min(...ends);
  const most = Math.max(...ends);
  const room = (most - least) * 0.35 || 0.0005;
  const x = (mm) => (mm - least + room) / (most - least + 2 * room) * WIDTH;
  const svg = s("svg", { class: "spread", viewBox: `0 0 ${WIDTH} ${height.toFixed(0)}`, role: "img", "aria-label": label });
  svg.append(s("rect", { class: low === null ? "scale-inside" : "scale-outside", x: 0, y: 0, width: WIDTH, height }));
  if (low !== null) {
    svg.append(s("rect", { class: "scale-inside", x: x(low), y: 0, width: x(high) - x(low), height }),
      s("path", { class: "scale-limit", d: `M${x(low)} 0V${height}M${x(high)} 0V${height}` }));
  }
  if (isCheck) svg.append(s("path", { class: "scale-nominal", d: `M${x(0)} 0V${height}` }));
  const y = (at) => 8 + step * (at + 0.5);
  if (away.length > 1) svg.append(s("path", { class: "chart-line", d: `M${away.map((mm, at) => `${x(mm).toFixed(1)} ${y(at).toFixed(1)}`).join("L")}` }));
  for (const [at, mm] of away.entries()) {
    const out = low !== null && (mm < low || mm > high);
    svg.append(s("path", { class: `spread-point ${out ? "is-bad" : ""}`, d: out
      ? `M${x(mm) - 12} ${y(at) - 12}l24 24m0-24l-24 24` : `M${x(mm)} ${y(at) - 13}l13 13l-13 13l-13-13z` }));
  }
  return svg;
}

// What the readings are held in, in mm: around the ring's size, or as wide as they may spread around their middle.
function zone(set, isCheck, away) {
  if (isCheck) return [-Number(set.limit_mm), Number(set.limit_mm)];
  if (!set.spread_limit_mm) return [null, null];
  const half = Number(set.spread_limit_mm) / 2;
  const middle = away.length ? (Math.min(...away) + Math.max(...away)) / 2 : 0;
  return [middle - half, middle + half];
}
