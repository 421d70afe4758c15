// What is otherwise in a table, as a merge patch (RFC 7396), and where in it a finding belongs.

import { h } from "../common/dom.js";
import { told } from "../common/told.js";
import { t } from "../common/words.js";

export function same(one, other) {
  return JSON.stringify(one) === JSON.stringify(other);
}

function isTable(value) {
  return value !== null && typeof value === "object" && !Array.isArray(value);
}

// Returns what makes `before` into `after`: only keys that differ, null for those that go.
export function difference(before, after) {
  const change = {};
  for (const key of new Set([...Object.keys(before), ...Object.keys(after)])) {
    if (!(key in after)) change[key] = null;
    else if (isTable(before[key]) && isTable(after[key])) {
      if (!same(before[key], after[key])) change[key] = difference(before[key], after[key]);
    } else if (!same(before[key], after[key])) change[key] = after[key];
  }
  return change;
}

// Returns the parts of a key as findings write it: masters."ring.38".size, positions[1].angle.
export function keyPath(text) {
  return [...text.matchAll(/"((?:[^"\\]|\\.)*)"|\[(\d+)\]|([^.[\]"]+)/g)].map(([, quoted, place, bare]) => {
    if (place !== undefined) return Number(place);
    if (quoted === undefined) return bare;
    try {
      return JSON.parse(`"${quoted}"`);
    } catch {
      return quoted;
    }
  });
}

// Returns a finding as it is read: what is wrong, what was expected, what to write. At its own field, `key`, a person
// types a value, not the station file's line.
export function sentence(found, key = null) {
  const line = key ? found.write?.match(/^write (\w+) = ("?)(.*)\2$/) : null;
  const bare = /^write ("?)(\S+)\1$/.exec(found.write ?? "")?.[2];
  const value = line?.[1] === key ? line[3] : bare;
  const write = value ? t("setup.write", { value }) : found.write && told(found.write);
  return h("span", {}, told(found.finding), found.expected ? ["; ", t("setup.expected"), " ", told(found.expected)] : [], write ? ["; ", write] : []);
}
