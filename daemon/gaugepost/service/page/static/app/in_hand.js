// What is in hand: who measures, which lot, which piece. A scanner or a foot switch says the same without this dialog.

import { send, who } from "../common/ask.js";
import { h, put } from "../common/dom.js";
import { t } from "../common/words.js";
import { ask } from "./dialogs.js";

let tags = {};

export function inHand() {
  return tags;
}

export function showInHand(said) {
  tags = said;
  const parts = ["operator", "lot", "piece"].map((name) => h(
    "span", { class: "tag" }, h("span", { class: "soft" }, `${t(`tag.${name}`)} `), h("b", {}, said[name] ?? "–"),
  ));
  put(document.getElementById("in-hand"), ...parts);
}

export function askInHand() {
  const person = who().person;
  const field = (name) => h("label", { class: "field" }, t(`tag.${name}`),
    h("input", { name, value: tags[name] ?? (name === "operator" ? person ?? "" : ""), autocomplete: "off", maxlength: "64" }));
  ask({
    title: t("in_hand.title"),
    fields: [field("operator"), field("lot"), field("piece"), h("p", { class: "soft" }, t("in_hand.note"))],
    does: t("in_hand.do"),
    act: (said) => {
      const wanted = Object.fromEntries(["operator", "lot", "piece"].map((name) => [name, said.get(name).trim() || null]));
      const changed = Object.fromEntries(Object.entries(wanted).filter(([name, value]) => value !== (tags[name] ?? null)));
      return Object.keys(changed).length ? send("PUT", "/tags", changed) : null;
    },
  });
}
