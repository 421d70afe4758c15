// Who may sign in, and as what; and how a station begins to ask who somebody is.

import { get, may, send, who } from "../common/ask.js";
import { freshId, h, put } from "../common/dom.js";
import { t, word } from "../common/words.js";
import { ask, tell } from "../app/dialogs.js";
import { table } from "./table.js";

const ROLES = ["operator", "setter", "administrator"];

// Returns the part of people, and what looks at them anew.
export function people(file, station) {
  const heading = freshId("people");
  const add = h("button", { type: "button", class: "main", hidden: true, onclick: () => askPerson(null, again, station) }, t("setup.add_people"));
  const place = h("div", { class: "setup-part" });
  const box = h("section", { class: "sheet setup-part", "aria-labelledby": heading },
    h("div", { class: "part-head" }, h("h2", { id: heading }, t("setup.people")), add),
    h("p", { class: "soft" }, t("setup.about_people")), place);

  async function again() {
    const session = who();
    if (!session.people && !session.person) {
      put(place, h("p", {}, t("setup.people_off")), h("pre", { class: "example", tabindex: "0" }, `gaugepost access add M1 --role administrator --station ${file.file}`), h("p", {}, t("setup.people_off_then")));
      return;
    }
    if (!may("administer")) {
      put(place, h("p", {}, t("setup.people_administrator")));
      return;
    }
    try {
      const { people: all } = await get("/people");
      add.hidden = false;
      put(place, table(t("setup.table_of", { part: t("setup.people") }), ["id", "role", "printed", "signs_by", "do"].map((each) => t(`setup.person_${each}`)),
        all.map((each) => [each.id, each.counts ? word("role", each.role) : t("setup.person_revoked"), each.name ?? "–",
          [each.pin && t("setup.person_pin"), each.code && t("setup.person_code")].filter(Boolean).join(", ") || "–",
          h("span", { class: "part-acts" }, each.counts
            ? [h("button", { type: "button", "aria-label": t("setup.change_of", { name: each.id }), onclick: () => askPerson(each, again, station) }, t("setup.change")),
              h("button", { type: "button", "aria-label": t("setup.revoke_of", { name: each.id }), onclick: () => askRevoke(each, again, station) }, t("setup.revoke"))]
            : h("button", { type: "button", "aria-label": t("setup.back_of", { name: each.id }), onclick: () => askPerson(each, again, station) }, t("setup.back")))])));
    } catch (error) {
      const said = h("p", { class: "problem" });
      tell(said, error);
      put(place, said);
    }
  }

  void again();
  return box;
}

function field(name, type, more = {}) {
  const { help, ...rest } = more;
  const id = freshId("person");
  return h("div", { class: "set-field" }, h("label", { for: id }, t(`setup.person_${name}`)),
    h("input", { id, name, type, autocomplete: type === "password" ? "new-password" : "off", autocapitalize: "none", spellcheck: "false", "aria-describedby": help ? `${id}-help` : null, ...rest }),
    help ? h("p", { class: "soft help", id: `${id}-help` }, help) : null);
}

// Adds somebody, lets somebody in again, or gives another role, name, PIN or code; what stays empty stays as it is.
function askPerson(person, again, station) {
  const adds = !person?.counts;
  const pinField = field("pin", "password", { inputmode: "numeric", help: t(adds ? "setup.person_pin_help" : "setup.person_pin_new") });
  const againField = field("pin_again", "password", { inputmode: "numeric" });
  const [pinInput, againInput] = [pinField, againField].map((each) => each.querySelector("input"));
  for (const each of [pinInput, againInput]) {
    each.addEventListener("input", () => againInput.setCustomValidity(pinInput.value === againInput.value ? "" : t("setup.person_pins_differ")));
  }
  ask({
    title: person ? t(adds ? "setup.back_of" : "setup.change_of", { name: person.id }) : t("setup.add_people"),
    fields: [
      person ? null : field("id", "text", { maxlength: "63", required: true, help: t("setup.person_id_help") }),
      h("fieldset", {}, h("legend", {}, t("setup.person_role")), ROLES.map((role) => h("label", { class: "option" },
        h("input", { type: "radio", name: "role", value: role, checked: role === (person?.role ?? "operator") }), h("span", {}, t(`setup.role_${role}`))))),
      field("printed", "text", { maxlength: "200", value: person?.name ?? "", help: t("setup.person_printed_help") }),
      pinField,
      againField,
      field("code", "password", { help: t("setup.person_code_help") }),
    ].filter(Boolean),
    does: t("setup.save"),
    act: async (said) => {
      const [pin, code, name] = ["pin", "code", "printed"].map((each) => said.get(each).trim());
      const secret = { ...(pin ? { pin } : {}), ...(code ? { code } : {}) };
      const printed = name && name !== person?.name ? { name } : {};
      const answer = adds
        ? await send("POST", "/people", { id: person?.id ?? said.get("id").trim(), role: said.get("role"), ...printed, ...secret })
        : await send("PATCH", `/people/${encodeURIComponent(person.id)}`, { role: said.get("role"), ...printed, ...secret });
      station.say(answer.text);
      void again();
    },
  });
}

function askRevoke(person, again, station) {
  ask({
    title: t("setup.revoke_of", { name: person.id }),
    fields: [h("p", {}, t("setup.revoke_note"))],
    does: t("setup.revoke"),
    act: async () => {
      const answer = await send("DELETE", `/people/${encodeURIComponent(person.id)}`);
      station.say(answer.text);
      void again();
    },
  });
}
