// A shape for each word: what is told by colour is told by its outline too.

import { s } from "../common/dom.js";

const PATHS = {
  "in-limits": ["M4 12a8 8 0 1 0 16 0a8 8 0 1 0-16 0", "M8 12l3 3l5-6"],
  accepted: ["M4 12a8 8 0 1 0 16 0a8 8 0 1 0-16 0", "M8 12h8"],
  undersize: ["M20 4v16L5 12z"],
  oversize: ["M4 4v16l15-8z"],
  undecided: ["M12 3l9 9l-9 9l-9-9z", "M12 8v8"],
  suspect: ["M12 3l9 9l-9 9l-9-9z", "M8 12h8"],
  "not-judged": ["M4 4h16v16H4z", "M8 12h8"],
  gone: ["M5 5l14 14", "M19 5l-14 14"],
  taken: ["M9 12a3 3 0 1 0 6 0a3 3 0 1 0-6 0"],
};

export const TONE = {
  "in-limits": "is-good", accepted: "is-good", undersize: "is-bad", oversize: "is-bad",
  undecided: "is-open", suspect: "is-open", "not-judged": "is-open",
};

export function shape(word) {
  return s("svg", { class: `shape shape-${word}`, viewBox: "0 0 24 24", "aria-hidden": "true" },
    (PATHS[word] ?? PATHS.taken).map((d) => s("path", { d })));
}
