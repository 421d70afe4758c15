// Signing a lot or a piece: who is signed in says once more who they are, and as what they sign.

import { may, send, who } from "../common/ask.js";
import { h } from "../common/dom.js";
import { t, word } from "../common/words.js";
import { ask } from "../app/dialogs.js";

// As the service has it: what only a setter or an administrator may sign as comes last, and only for them.
const MEANINGS = ["review", "authorship"];
const OF_SETTERS = ["approval", "responsibility"];

// Returns the button, or why there is none: only a person signs, and only what has a name.
export function signing(wanted, signed) {
  if (!who().person) return h("p", { class: "soft" }, t("inspection.sign_in_first"), " ", h("a", { href: `/sign-in${location.hash}` }, t("sign_in.title")));
  if (!wanted.lot) return h("p", { class: "soft" }, t("inspection.sign_lots"));
  return h("button", { type: "button", class: "sign", onclick: () => sign({ ...wanted }, signed) }, t("inspection.sign"));
}

function sign({ lot, piece }, signed) {
  const meanings = may("set-up") ? [...MEANINGS, ...OF_SETTERS] : MEANINGS;
  const secret = (name) => h("label", { class: "field" }, t(`inspection.sign_${name}`),
    h("input", { name, type: "password", autocomplete: "off", maxlength: "200" }));
  const dialog = ask({
    title: piece ? t("inspection.sign_piece", { lot, piece }) : t("inspection.sign_lot", { lot }),
    fields: [
      h("p", {}, t("inspection.sign_note", { person: who().person })),
      h("label", { class: "field" }, t("inspection.sign_as"), h("select", { name: "meaning" }, meanings.map((each) => h("option", { value: each }, word("meaning", each))))),
      h("label", { class: "field" }, t("inspection.sign_reason"), h("input", { name: "reason", maxlength: "200", autocomplete: "off" })),
      secret("pin"), secret("code"),
    ],
    does: t("inspection.sign_do"),
    act: async (said) => {
      const filled = Object.fromEntries(["reason", "pin", "code"].map((name) => [name, said.get(name)]).filter(([, text]) => text));
      try {
        await send("POST", "/signatures", { lot, ...(piece ? { piece } : {}), id: who().person, meaning: said.get("meaning"), ...filled });
      } catch (error) {
        for (const each of dialog.querySelectorAll("input[type=password]")) each.value = "";
        dialog.querySelector('[name="pin"]').focus();
        throw error;
      }
      signed();
    },
  });
  dialog.querySelector('[name="pin"]').focus();
}
