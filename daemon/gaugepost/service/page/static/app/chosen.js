// Language, light or dark, sounds, and signing in and out: what concerns this browser and whoever sits at it.

import { look, send, who } from "../common/ask.js";
import { choice, choose } from "../common/choices.js";
import { h, put } from "../common/dom.js";
import { LANGUAGES, language, t } from "../common/words.js";
import { ask } from "./dialogs.js";
import { sound } from "./sounds.js";

function options(name, values, chosen, act) {
  return h("fieldset", {}, h("legend", {}, t(`choices.${name}`)), Object.entries(values).map(([value, text]) => h(
    "label", { class: "option" },
    h("input", { type: "radio", name, value, checked: value === chosen, onchange: () => act(value) }), text,
  )));
}

export function askChoices(again) {
  const schemes = Object.fromEntries(["system", "light", "dark"].map((each) => [each, t(`choices.${each}`)]));
  const sounds = { off: t("choices.off"), on: t("choices.on") };
  const dialog = ask({
    title: t("choices.title"),
    fields: [
      options("language", LANGUAGES, language(), (value) => {
        choose("language", value);
        dialog.close();
        again();
      }),
      options("scheme", schemes, choice("scheme"), (value) => choose("scheme", value)),
      options("sounds", sounds, choice("sounds") ? "on" : "off", (value) => {
        choose("sounds", value === "on");
        sound("in-limits");
      }),
      h("p", { class: "soft" }, t("choices.sounds_note")),
    ],
  });
}

export function showWho() {
  const session = who();
  const place = document.getElementById("who");
  if (session.person) {
    put(place, h("span", {}, session.person), " ", h("button", { type: "button", class: "quiet", onclick: signOut }, t("sign_in.out")));
  } else if (session.people) {
    put(place, h("a", { href: `/sign-in${location.hash}` }, t("sign_in.title")));
  } else {
    put(place);
  }
}

async function signOut() {
  try {
    await send("DELETE", "/session");
  } finally {
    location.assign("/sign-in");
  }
}

export async function lookWho() {
  await look();
  showWho();
}
