// How the form of each part of the station file is laid out, and what a new one begins with.

import { get } from "../common/ask.js";
import { h } from "../common/dom.js";
import { t } from "../common/words.js";
import { fieldsOf } from "./fields.js";
import { LIMIT_KEYS, limitsBeside } from "./limits.js";

const FIRST = {
  characteristics: ["limits", "feature", "gauges"],
  masters: ["size", "serial_number", "uncertainty", "coverage_factor"],
  gauges: ["link", "contact", "display", "check_limit", "nominal", "unit", "resolution", "size_range"],
};
const OTHERWISE = LIMIT_KEYS.slice(1);

export async function schemaOf(section) {
  return (await get(`/station/schema?section=${section}`)).schema;
}

const named = (file, section) => Object.keys(file.tables[section] ?? {});

// Returns what makes the fields of a table once the file is known.
export function partsOf(section, schema) {
  return (file, base) => {
    const names = { characteristics: { gauges: named(file, "gauges"), masters: named(file, "masters") }, gauges: { } }[section] ?? {};
    const fields = fieldsOf(schema, schema.$defs, { names, required: section === "characteristics" ? ["feature", "gauges"] : schema.required ?? [] });
    const first = FIRST[section];
    const boxes = [];
    const limits = section === "characteristics" ? limitsBeside(fields) : null;
    for (const key of first) {
      boxes.push(fields.get(key).box);
      if (key === "limits") {
        boxes.push(limits.place, h("details", { open: OTHERWISE.some((each) => each in base) && !("limits" in base) },
          h("summary", {}, t("setup.limits_otherwise")), h("div", { class: "set-more" }, OTHERWISE.map((each) => fields.get(each).box))));
      }
    }
    const rest = [...fields.keys()].filter((key) => !first.includes(key) && !(limits && OTHERWISE.includes(key)));
    boxes.push(h("details", { open: rest.some((key) => key in base) }, h("summary", {}, t("setup.more")), h("div", { class: "set-more" }, rest.map((key) => fields.get(key).box))));
    if (section === "characteristics" && !Object.keys(base).length) {
      fields.get("feature").set("bore");
      if (names.gauges.length === 1) fields.get("gauges").set(names.gauges);
    }
    if (limits) setTimeout(limits.look);
    return { fields, boxes };
  };
}
