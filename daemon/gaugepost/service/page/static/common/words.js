// The message catalogue: one file a language, one key a text. A test holds the languages to the same keys.

import { choice } from "./choices.js";

export const LANGUAGES = { en: "English", de: "Deutsch" };

let texts = {};
let spoken = "en";

export async function loadWords() {
  const wanted = choice("language") ?? navigator.languages.map((each) => each.slice(0, 2)).find((each) => each in LANGUAGES);
  spoken = wanted in LANGUAGES ? wanted : "en";
  const answer = await fetch(`/page/words/${spoken}.json`);
  texts = await answer.json();
  document.documentElement.lang = spoken;
  translate(document.body);
}

export function language() {
  return spoken;
}

// Returns the text of a key, with what stands in {braces} filled in.
export function t(key, parts = {}) {
  const text = texts[key] ?? key;
  return text.replace(/\{(\w+)\}/g, (whole, name) => parts[name] ?? whole);
}

// Returns one of the service's own words in this language; a word that no catalogue has stays as the service says it.
export function word(list, said) {
  return texts[`${list}.${said}`] ?? said;
}

// Returns a decision rule with how wide its guard band is: `said` as a station file says it, "guarded … factor 1.65".
export function rule(said) {
  const [, name, width] = /^(.*?)(?: ([\d.]+))?$/.exec(said);
  const by = name.split(" ").at(-1);
  return width ? `${word("rule", name)}, ${t(`rule_width.${by}`, { width, percent: Math.round(width * 1e6) / 1e4 })}` : word("rule", name);
}

// Days and times as where this language is spoken here, the month by its name or the day before it: 01/02 is two days.
function locale() {
  return navigator.languages.find((each) => each.slice(0, 2) === spoken) ?? spoken;
}

export function clock(time) {
  return new Intl.DateTimeFormat(locale(), { timeStyle: "medium" }).format(new Date(time));
}

// `timeZone` is the station's, where that counts and not the reader's: on paper.
export function moment(time, timeZone) {
  return new Intl.DateTimeFormat(locale(), { dateStyle: "medium", timeStyle: "medium", timeZone }).format(new Date(time));
}

export function day(time, timeZone) {
  return new Intl.DateTimeFormat(locale(), { dateStyle: "medium", timeZone }).format(new Date(time));
}

function translate(root) {
  for (const element of root.querySelectorAll("[data-word]")) element.textContent = t(element.dataset.word);
  for (const element of root.querySelectorAll("[data-word-label]")) {
    element.setAttribute("aria-label", t(element.dataset.wordLabel));
  }
}
