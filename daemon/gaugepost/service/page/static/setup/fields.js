// Fields made of a table's schema: what the station file may hold there, each with its name, what it is for and what is wrong.

import { freshId, h, put } from "../common/dom.js";
import { t, word } from "../common/words.js";

// Returns the fields of a table. `names` are lists of known names by key, to choose from.
// Keys that an adapter brings are named by itself (`foreign`), unless the catalogue has a word for them.
export function fieldsOf(schema, definitions, { names = {}, required = schema.required ?? [], foreign = false } = {}) {
  return new Map(Object.entries(schema.properties).map(([key, inner]) => [
    key, field(key, inner, definitions, { names: names[key], required: required.includes(key), foreign }),
  ]));
}

// A field: `get` returns its value, undefined where it is empty; `set` puts one; `say` shows findings, each with the path below it.
function field(key, schema, definitions, about) {
  const whole = resolved(schema, definitions);
  const arms = whole.anyOf ?? [];
  const words = whole.enum ?? (arms.length && arms.every((arm) => arm.enum) ? arms.flatMap((arm) => arm.enum) : null);
  if (about.names) return several(key, whole, about.names, about);
  if (words) return choice(key, whole, words, about);
  if (whole.type === "boolean") return choice(key, whole, [true, false], about, (each) => t(each ? "setup.yes" : "setup.no"));
  if (whole.type === "array") {
    const items = resolved(whole.items ?? {}, definitions);
    if (items.enum) return several(key, whole, items.enum, about);
    if (items.properties) return tables(key, whole, items, definitions, about);
    return lines(key, whole, about, (line) => line, (each) => String(each));
  }
  if (whole.properties) return table(key, whole, definitions, about);
  if (whole.type === "object") return pairs(key, whole, about);
  return text(key, whole, arms, about);
}

function resolved(schema, definitions) {
  const name = schema.$ref?.slice("#/$defs/".length);
  return name ? { ...definitions[name], ...schema, $ref: undefined } : schema;
}

export function label(key, foreign = false) {
  const ours = word(foreign ? "to" : "key", key);
  return ours === key ? h("span", { lang: "en" }, key.replaceAll("_", " ")) : ours;
}

// What a key is for, in this language where the catalogue has it, else in the program's own words.
function help(key, schema, foreign) {
  const ours = word(foreign ? "to_help" : "help", key);
  const said = ours !== key && ours.includes(t("setup.usual", { value: "\n" }).split("\n")[0]);
  const usual = !said && ["string", "number"].includes(typeof schema.default) && String(schema.default).trim() ? t("setup.usual", { value: named(schema.default) }) : "";
  const example = ours === key && schema.examples?.length && typeof schema.examples[0] !== "object" ? t("setup.example", { value: shown(schema.examples[0]) }) : "";
  return [
    ours !== key ? ours : schema.description ? h("span", { lang: "en" }, schema.description) : null,
    usual || example ? ` ${usual || example}` : null,
  ].filter(Boolean);
}

// A word of the station file, as it is said in this language.
function named(value) {
  const said = shown(value);
  return ["value", "kind", "rule"].map((list) => word(list, said)).find((each) => each !== said) ?? said;
}

function shown(value) {
  const said = String(value);
  return /^\S(.*\S)?$/.test(said) ? said : JSON.stringify(value);
}

function framed(key, schema, about, control, { group = false } = {}) {
  const id = freshId("field");
  const helped = h("p", { class: "soft help", id: `${id}-help` }, help(key, schema, about.foreign));
  const said = h("p", { class: "problem", id: `${id}-said` });
  const name = [label(key, about.foreign), about.required ? h("span", { class: "soft" }, ` (${t("setup.required")})`) : null];
  const described = `${id}-help ${id}-said`;
  const box = group
    ? h("fieldset", { class: "set-field", "aria-describedby": described }, h("legend", {}, name), helped, control, said)
    : h("div", { class: "set-field" }, h("label", { for: id }, name), control, helped, said);
  if (!group) {
    control.id = id;
    control.setAttribute("aria-describedby", described);
    if (about.required) control.setAttribute("aria-required", "true");
  }
  const first = () => (group ? box.querySelector("input, select, textarea, button") : control);
  return {
    key, box,
    focus: () => first()?.focus(),
    say(found) {
      put(said, found.map((each) => each.said));
      const wrong = found.some((each) => !each.warning);
      said.className = wrong ? "problem" : "is-open caution";
      if (!group) control.setAttribute("aria-invalid", String(wrong));
      return wrong;
    },
    note: (node) => box.append(node),
  };
}

function text(key, schema, arms, about) {
  const known = arms.flatMap((arm) => arm.enum ?? []);
  const numeric = ["integer", "number"].includes(schema.type) || arms.some((arm) => ["integer", "number"].includes(arm.type));
  const control = h("input", { type: schema.format === "date" ? "date" : "text", name: key, autocomplete: "off", autocapitalize: "none", spellcheck: "false", inputmode: numeric ? "decimal" : null });
  const made = framed(key, schema, about, control);
  if (known.length) {
    const list = h("datalist", { id: freshId("known") }, known.map((each) => h("option", { value: each })));
    control.setAttribute("list", list.id);
    made.box.append(list);
  }
  return {
    ...made, control,
    get() {
      const said = control.value.trim();
      if (!said) return undefined;
      return numeric && /^-?\d+(\.\d+)?$/.test(said) ? Number(said) : said;
    },
    set: (value) => {
      control.value = value === undefined ? "" : String(value);
    },
  };
}

function choice(key, schema, words, about, name = named) {
  const control = h("select", { name: key },
    about.required ? null : h("option", { value: "" }, t("setup.usually", { value: schema.default === undefined ? "" : name(schema.default) })),
    words.map((each) => h("option", { value: JSON.stringify(each) }, name(each))));
  return {
    ...framed(key, { ...schema, default: undefined, examples: undefined }, about, control), control,
    get: () => (control.value ? JSON.parse(control.value) : undefined),
    set: (value) => {
      const wanted = value === undefined ? "" : JSON.stringify(value);
      if (wanted && ![...control.options].some((each) => each.value === wanted)) control.append(h("option", { value: wanted }, shown(value)));
      control.value = wanted;
    },
  };
}

function several(key, schema, words, about) {
  const box = h("div", { class: "several" });
  const made = framed(key, { ...schema, examples: undefined }, about, box, { group: true });
  const option = (each, checked = false) => h("label", { class: "option" }, h("input", { type: "checkbox", name: key, value: each, checked }), h("span", {}, named(each)));
  const clear = () => put(box, words.length ? words.map((each) => option(each)) : h("p", { class: "soft" }, t("setup.none_yet")));
  clear();
  return {
    ...made,
    get() {
      const chosen = [...box.querySelectorAll("input:checked")].map((each) => each.value);
      return chosen.length ? chosen : undefined;
    },
    set(value) {
      clear();
      for (const each of Array.isArray(value) ? value : []) {
        const there = [...box.querySelectorAll("input")].find((one) => one.value === each);
        if (there) there.checked = true;
        else box.append(option(each, true));
      }
    },
  };
}

function lines(key, schema, about, read, write) {
  const control = h("textarea", { name: key, rows: "3", spellcheck: "false", autocapitalize: "none" });
  return {
    ...framed(key, { ...schema, description: `${schema.description ?? ""} ${t("setup.a_line_each")}`.trim() }, about, control), control,
    get() {
      const said = control.value.split("\n").map((line) => line.trim()).filter(Boolean);
      return said.length ? said.map(read) : undefined;
    },
    set: (value) => {
      control.value = Array.isArray(value) ? value.map(write).join("\n") : "";
    },
  };
}

function pairs(key, schema, about) {
  const made = lines(key, schema, about, (line) => line, (each) => each);
  put(made.box.querySelector(".help"), help(key, schema, about.foreign), " ", t("setup.a_pair_each"));
  return {
    ...made,
    get() {
      const said = made.get();
      return said && Object.fromEntries(said.map((line) => {
        const [name, ...rest] = line.split("=");
        return [name.trim(), rest.join("=").trim()];
      }));
    },
    set: (value) => made.set(value && Object.entries(value).map(([name, inner]) => `${name} = ${inner}`)),
  };
}

function table(key, schema, definitions, about) {
  const inner = fieldsOf(schema, definitions, { foreign: about.foreign });
  const made = framed(key, schema, about, h("div", { class: "set-inner" }, [...inner.values()].map((each) => each.box)), { group: true });
  fill(inner, {}); // a choice that is needed within would say something by itself
  return {
    ...made,
    get() {
      const found = read(inner);
      return Object.keys(found).length ? found : undefined;
    },
    set: (value) => fill(inner, value && typeof value === "object" ? value : {}),
    say: (found) => [made.say(found.filter((each) => !each.path.length)), sayIn(inner, found.filter((each) => each.path.length))].some(Boolean),
  };
}

// A list of tables: each in a frame of its own; a table that is no more than a name may be written as that.
function tables(key, schema, items, definitions, about) {
  const rows = [];
  const place = h("div", { class: "set-rows" });
  const short = (value) => (typeof value === "string" ? { name: value } : value);
  const more = h("button", { type: "button", onclick: () => add({}).querySelector("input, select")?.focus() }, t("setup.one_more"));
  const made = framed(key, schema, about, h("div", { class: "set-inner" }, place, h("p", {}, more)), { group: true });

  function add(value) {
    const inner = fieldsOf(items, definitions, { foreign: about.foreign });
    fill(inner, short(value));
    const box = h("div", { class: "set-row", role: "group", "aria-label": `${word(about.foreign ? "to" : "key", key)} ${rows.length + 1}` }, [...inner.values()].map((each) => each.box),
      h("button", { type: "button", onclick: () => {
        rows.splice(rows.findIndex((each) => each.inner === inner), 1);
        box.remove();
        more.focus();
      } }, t("setup.take_out")));
    rows.push({ inner, box });
    place.append(box);
    return box;
  }

  return {
    ...made,
    get() {
      const said = rows.map(({ inner }) => read(inner)).filter((each) => Object.keys(each).length);
      return said.length ? said : undefined;
    },
    set(value) {
      rows.length = 0;
      put(place);
      for (const each of Array.isArray(value) ? value : []) add(each);
    },
    say(found) {
      const own = found.filter(({ path }) => !rows[path[0]]);
      const below = rows.map(({ inner }, at) => sayIn(inner, found.filter(({ path }) => path[0] === at).map((each) => ({ ...each, path: each.path.slice(1) }))));
      return [made.say(own), ...below].some(Boolean);
    },
  };
}

export function read(fields) {
  return Object.fromEntries([...fields.values()].map((each) => [each.key, each.get()]).filter(([, value]) => value !== undefined));
}

export function fill(fields, table) {
  for (const each of fields.values()) each.set(table[each.key]);
}

// Shows each finding at its field; returns whether any was.
export function sayIn(fields, found) {
  return [...fields.values()].map((each) => each.say(found.filter(({ path }) => path[0] === each.key).map((one) => ({ ...one, path: one.path.slice(1) })))).some(Boolean);
}
