// Where a person signs in: by id and PIN, or by a code that is scanned into the one field.

import { get, send, Refused } from "./ask.js";
import { h, put } from "./dom.js";
import { loadTold, told } from "./told.js";
import { loadWords, t } from "./words.js";

// Back to where whoever signs in came from: a screen is a fragment of the one page.
function onwards() {
  location.replace(`/${location.hash}`);
}

function field(name, kind, autocomplete) {
  return h("label", { class: "field" }, t(`sign_in.${name}`), h("input", { name, type: kind, autocomplete, autocapitalize: "none", spellcheck: "false" }));
}

function form(title, fields, read) {
  const said = h("p", { class: "problem", role: "alert" });
  const made = h("form", {}, h("h2", {}, title), ...fields, h("button", { class: "main" }, t("sign_in.do")), said);
  made.addEventListener("submit", async (event) => {
    event.preventDefault();
    put(said);
    try {
      await send("POST", "/session", read(new FormData(made)));
      onwards();
    } catch (error) {
      if (error instanceof Refused) put(said, h("span", {}, told(error.message), ". ", told(error.hint)));
      else put(said, t("frame.lost"));
      made.querySelector("input[type=password]").value = "";
      made.querySelector("input").focus();
    }
  });
  return made;
}

await loadWords();
await loadTold();
document.title = t("sign_in.title");
try {
  const session = await get("/session");
  if (session.person) onwards();
} catch { /* nobody is signed in: that is what this page is for */ }
put(
  document.getElementById("screen"),
  h("h1", {}, t("sign_in.title")),
  form(t("sign_in.by_pin"), [field("id", "text", "username"), field("pin", "password", "current-password")],
    (said) => ({ id: said.get("id"), pin: said.get("pin") })),
  form(t("sign_in.by_code"), [field("code", "password", "off")], (said) => ({ code: said.get("code") })),
  h("p", { class: "soft" }, t("sign_in.none")),
);
document.querySelector("input").focus();
