// What the service says in sentences, as reasons and refusals, in the page's language. The journal keeps them in English.
//
// A catalogue has a pattern for each: {1} is any text, {1#} a number; in the translation {1:kind} is one of the words of
// that list. What no pattern fits stays English, and is marked so for whoever hears the page.

import { h } from "./dom.js";
import { language, word } from "./words.js";

let patterns = [];

export async function loadTold() {
  if (language() === "en") return;
  const answer = await fetch(`/page/words/told.${language()}.json`);
  patterns = Object.entries(await answer.json()).map(([said, means]) => ({ means, fixed: said.replace(/\{\d#?\}/g, "").length, ...pattern(said) }));
  patterns.sort((a, b) => b.fixed - a.fixed);
}

function pattern(said) {
  const names = [];
  const source = said.split(/(\{\d#?\})/).map((part) => {
    if (!/^\{\d#?\}$/.test(part)) return part.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");
    names.push(part[1]);
    return part.endsWith("#}") ? "(\\d+)" : "(.+?)";
  });
  return { names, fits: new RegExp(`^${source.join("")}$`, "s") };
}

function translated(text) {
  for (const { fits, names, means } of patterns) {
    const found = fits.exec(text);
    if (!found) continue;
    return means.replace(/\{(\d)(?::([a-z]+))?\}/g, (whole, number, list) => {
      const part = found[names.indexOf(number) + 1];
      return list ? word(list, part) : translated(part) ?? part;
    });
  }
  return null;
}

// Returns a sentence of the service's to put on the page.
export function told(text) {
  if (language() === "en" || !text) return text;
  return translated(text) ?? h("span", { lang: "en" }, text);
}

export function toldList(texts, properties = {}) {
  return h("ul", properties, texts.map((each) => h("li", {}, told(each))));
}
