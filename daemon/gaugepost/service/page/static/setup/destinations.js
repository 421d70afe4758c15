// Where records go: which kinds are installed, and a form made of each one's own settings, a stranger's as well as ours.

import { h } from "../common/dom.js";
import { t, word } from "../common/words.js";
import { ask } from "../app/dialogs.js";
import { fieldsOf } from "./fields.js";

const COMMON = ["kinds", "from"];

export const kindOf = (arm) => arm.properties.kind.const;

// Asks which kind a new destination is of, then goes on with it.
export function askKind(schema, goOn) {
  const kinds = schema.oneOf.map(kindOf);
  ask({
    title: t("setup.add_destinations"),
    fields: [h("fieldset", {}, h("legend", {}, t("setup.which_kind")), kinds.map((kind, at) => h("label", { class: "option" },
      h("input", { type: "radio", name: "kind", value: kind, checked: at === 0 }), h("span", {}, word("to_kind", kind)))))],
    does: t("setup.go_on"),
    act: (said) => { setTimeout(() => goOn(said.get("kind"))); },
  });
}

// Returns what makes the fields of a destination of a kind: what it needs first, the rest below.
export function destinationParts(schema, kind) {
  const arm = schema.oneOf.find((each) => kindOf(each) === kind);
  if (!arm) return null;
  const { kind: _, ...properties } = arm.properties;
  return (file, base) => {
    const required = arm.required.filter((key) => key !== "kind");
    const fields = fieldsOf({ ...arm, properties }, schema.$defs, { required, foreign: true });
    const own = Object.keys(properties).filter((key) => !COMMON.includes(key));
    const first = required.length ? required : own.slice(0, 2);
    const rest = [...own.filter((key) => !first.includes(key)), ...COMMON.filter((key) => fields.has(key))];
    const box = (key) => fields.get(key).box;
    return {
      fields,
      fixed: { kind },
      boxes: [
        h("p", {}, t("setup.of_kind"), " ", h("b", {}, word("to_kind", kind)), ".",
          Object.keys(properties).some((key) => /password|token|header/.test(key)) ? [" ", h("span", { class: "soft" }, t("setup.no_secret"))] : null),
        ...first.map(box),
        h("details", { open: rest.some((key) => key in base) }, h("summary", {}, t("setup.more")), h("div", { class: "set-more" }, rest.map(box))),
      ],
    };
  };
}

// Where it leads, in a word: an address, or a file or folder as somebody finds it on the service's computer.
export function leadsTo(table, data) {
  const address = [table.url, table.host].find((each) => typeof each === "string");
  const path = table.file ?? table.path ?? (table.kind === "csv_file" ? "csv" : null);
  return address ?? (typeof path === "string" ? (path.startsWith("/") || !data ? path : `${data}/${path}`) : "–");
}
