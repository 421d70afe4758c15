// The gauge gets its name and what has to be known of it; what the station file will say otherwise is shown before it is saved.

import { get, send } from "../common/ask.js";
import { h, put } from "../common/dom.js";
import { t, word } from "../common/words.js";
import { tell } from "../app/dialogs.js";
import { latest } from "../app/latest.js";
import { signing, worthKnowing, wouldChange } from "../setup/form.js";
import { keyPath, sentence } from "../setup/patch.js";

const NAME = "[A-Za-z0-9][A-Za-z0-9_.\\-]{0,63}";

export function binding(place, acts, lesson) {
  const said = h("p", { class: "problem", role: "alert" });
  const changes = h("div", { class: "find-changes", role: "status" });
  const sign = signing();
  const save = h("button", { class: "main big" }, t("find.save"));
  const field = (name, label, more = {}) => h("label", { class: "field" }, label, h("input", { name, type: "text", required: true, maxlength: "64", autocomplete: "off", spellcheck: "false", ...more }));
  const options = (name, values) => h("fieldset", {}, h("legend", {}, t(`find.${name}`)), values.map((value, at) => h("label", { class: "option" },
    h("input", { type: "radio", name, value, required: true, checked: name === "display" && at === 0 }), h("span", {}, h("b", {}, word(name, value)), ` ${t(`find.${name}_${value}`)}`))));
  const nominal = field("nominal", t("find.nominal"), { required: false });
  const thermometer = h("p", { class: "is-open", hidden: true }, t("find.thermometer"));
  const known = h("p", { hidden: true });
  const about = h("div", { class: "find-about" },
    field("name", t("find.name"), { pattern: NAME, title: t("find.name_note"), autocapitalize: "none", "aria-describedby": "find-name-note" }), h("p", { class: "soft", id: "find-name-note" }, t("find.name_note")),
    options("contact", ["three-point", "two-point", "single"]), options("display", ["absolute", "from-master", "from-nominal"]), nominal,
    field("resolution", t("find.resolution")), field("check_limit", t("find.check_limit"), { "aria-describedby": "find-limit-note" }), h("p", { class: "soft", id: "find-limit-note" }, t("find.check_limit_note")));
  const form = h("form", { class: "find-form" }, h("h3", {}, t("find.bind")), thermometer, known, about, changes, ...sign.fields, said, h("div", { class: "actions" }, save));
  place.replaceChildren(form);
  let fit = null;
  let seen = null;
  let served = null;
  let ended = false;
  let complete = true;
  let saving = false;
  let looks = 0;
  let tables = {};

  // What of the station file is otherwise with the gauge; null while something is missing.
  function change() {
    const data = new FormData(form);
    if (served === null || !fit || fit.quantity !== "length") return null;
    if (served.length) return { links: { [lesson.link]: fit.link } };
    if (![...about.querySelectorAll("input")].every((each) => each.checkValidity())) return null;
    const link = lesson.link ?? free(`${data.get("name")}-link`);
    const gauge = { link, ...(fit.channel ? { channel: fit.channel } : {}), contact: data.get("contact"), display: data.get("display"),
      ...(data.get("display") === "from-nominal" ? { nominal: data.get("nominal") } : {}), resolution: data.get("resolution"), check_limit: data.get("check_limit") };
    return { links: { [link]: fit.link }, gauges: { [data.get("name")]: gauge } };
  }

  function free(name) {
    let number = 1;
    while (tables.links?.[number > 1 ? `${name}-${number}` : name]) number += 1;
    return number > 1 ? `${name}-${number}` : name;
  }

  // Has the service look over what is wanted, and shows what would be otherwise: the last time that is asked for.
  async function look() {
    const ours = (looks += 1);
    seen = null;
    for (const each of form.querySelectorAll("[aria-invalid]")) each.removeAttribute("aria-invalid");
    try {
      const file = await get("/station/file");
      if (ours !== looks) return;
      const { sha256 } = file;
      tables = file.tables ?? {};
      const { name } = form.elements;
      name.setCustomValidity(!about.hidden && tables.gauges?.[name.value] ? t("setup.name_taken") : "");
      const wanted = change();
      if (!wanted) {
        put(changes);
        put(said, name.validity.customError ? t("setup.name_taken") : null);
        return;
      }
      complete = ["masters", "characteristics"].every((section) => Object.keys(tables[section] ?? {}).length);
      put(save, t(complete ? "find.save" : "find.save_first"));
      const answer = await send("PATCH", "/station/file", { change: wanted, sha256, look: true });
      if (ours !== looks) return;
      seen = { change: wanted, sha256 };
      put(said);
      put(changes, ...wouldChange(answer),
        worthKnowing(answer.warnings));
    } catch (error) {
      if (ours !== looks) return;
      put(changes);
      refused(error);
    }
  }

  // While it is saved nothing is looked over: what was typed a moment before would take away what is to be saved.
  const preview = latest(() => (saving ? undefined : look()), 300);

  // Findings are said by the names of their fields; what is only worth knowing waits until nothing is wrong.
  function refused(error) {
    const found = error.body?.findings?.filter((each) => each.severity !== "warning") ?? [];
    if (!found.length) {
      tell(said, error);
      return;
    }
    put(said, found.flatMap((each, at) => {
      const key = keyPath(each.key).at(-1);
      const field = form.elements[key];
      if (field instanceof HTMLInputElement) field.setAttribute("aria-invalid", "true");
      return [at ? h("br") : null, h("b", {}, field ? `${t(`find.${key}`)}: ` : `${each.key} `), sentence(each, key)];
    }));
  }

  form.addEventListener("input", () => {
    nominal.hidden = form.elements.display.value !== "from-nominal";
    form.elements.nominal.required = !nominal.hidden;
    preview();
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    put(said);
    save.disabled = saving = true;
    try {
      if (!seen || JSON.stringify(seen.change) !== JSON.stringify(change())) await look();
      if (!seen) {
        save.disabled = saving = false;
        return;
      }
      if (!ended) {
        acts.ends();
        await send("DELETE", `/lessons/${lesson.lesson}`);
        ended = true;
      }
      await send("PATCH", "/station/file", { ...seen, ...sign.said() });
      if (complete) acts.bound(served.length ? served : [form.elements.name.value]);
      else location.hash = "#setup/first";
    } catch (error) {
      seen = null;
      refused(error);
      save.disabled = saving = false;
    }
  });

  async function onLink() {
    try {
      served = lesson.link ? (await get("/gauges")).gauges.filter((each) => each.link === lesson.link).map((each) => each.gauge) : [];
    } catch (error) {
      tell(said, error);
      served = [];
    }
    known.hidden = !served.length;
    put(known, t("find.known", { what: served.join(", "), link: lesson.link ?? "" }));
    about.hidden = served.length > 0;
    for (const each of about.querySelectorAll("input")) each.disabled = about.hidden;
    preview();
  }

  nominal.hidden = true;
  void onLink();
  return {
    show(fresh) {
      fit = fresh;
      const isLength = fit.quantity === "length";
      thermometer.hidden = isLength;
      about.hidden = !isLength || served?.length > 0;
      save.hidden = !isLength;
      for (const name of ["resolution", "check_limit"]) form.elements[name].value = fit[name] ?? "";
      preview();
    },
    close() {
      preview.end();
    },
  };
}

// What was bound, and where it goes on.
export function bound(place, acts, gauges) {
  place.append(h("h2", { tabindex: "-1" }, t("find.is_bound", { what: gauges.join(", ") })), h("p", {}, t("find.bound_note")),
    h("ul", { class: "find-onwards" },
      h("li", {}, h("a", { class: "button", href: `#master/${encodeURIComponent(gauges[0])}` }, t("drift.master", { gauge: gauges[0] }))),
      h("li", {}, h("a", { href: "#gauges" }, t("gauges.title"))),
      h("li", {}, h("button", { type: "button", onclick: () => acts.list() }, t("find.another")))));
  return { close() {} };
}
