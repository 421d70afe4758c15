// What the station consists of: what is measured, with what, on which master; added, changed and removed by forms.

import { get, may, send, who } from "../common/ask.js";
import { freshId, h, put } from "../common/dom.js";
import { told } from "../common/told.js";
import { t, word } from "../common/words.js";
import { ask, tell } from "../app/dialogs.js";
import { latest } from "../app/latest.js";
import { askKind, destinationParts, leadsTo } from "./destinations.js";
import { openForm, others, signing, wouldChange } from "./form.js";
import { openList } from "./list.js";
import { lots } from "./lots.js";
import { partsOf, schemaOf } from "./parts.js";
import { people } from "./people.js";
import { table } from "./table.js";

const REST_MS = 700;
const PARTS = ["characteristics", "masters", "gauges", "destinations"];

export function open(place, station) {
  const done = h("p", { class: "sheet is-good", hidden: true });
  const problem = h("p", { class: "problem", role: "alert" });
  const steps = h("div", {});
  const list = h("div", { class: "setup-parts" });
  const persons = h("div", {});
  place.append(h("div", { class: "setup" }, h("h1", {}, t("setup.title")), done, problem, steps, list, persons));
  let file = null;
  let closed = false;
  let led = location.hash === "#setup/first";

  const refresh = latest(async () => {
    try {
      const [fresh, { characteristics }] = await Promise.all([get("/station/file"), get("/characteristics")]);
      if (closed) return;
      file = fresh;
      show(new Map(characteristics.map((each) => [each.characteristic, each])));
      if (led) lead();
    } catch (error) {
      tell(problem, error);
    }
  }, REST_MS);

  function saved(answer) {
    put(done, t("setup.saved"), " ", answer.changes.map((each, at) => [at ? "; " : "", told(each)]).flat());
    done.hidden = false;
    station.say(`${t("setup.saved")} ${answer.text}`);
    refresh();
  }

  // Leads from one thing that is still missing to the next: its form, then the gauge to its master.
  function lead() {
    const missing = missingOf(file.tables ?? {})[0];
    led = false;
    if (missing === "gauges" || !may("set-up")) return;
    if (missing) edit(missing, null, { then: () => { led = true; } });
    else location.hash = `#master/${encodeURIComponent(Object.keys(file.tables.gauges)[0])}`;
  }

  async function edit(section, name, { kind = null, then = () => {} } = {}) {
    put(problem);
    try {
      const [fresh, schema] = await Promise.all([get("/station/file"), schemaOf(section)]);
      file = fresh;
      if (section === "destinations" && name === null && kind === null) {
        askKind(schema, (chosen) => edit(section, null, { kind: chosen, then }));
        return;
      }
      const parts = section === "destinations" ? destinationParts(schema, kind ?? file.tables[section][name].kind) : partsOf(section, schema);
      if (!parts) {
        put(problem, t("setup.kind_missing", { kind: String(file.tables[section][name].kind) }));
        return;
      }
      openForm({
        title: name === null ? t(`setup.add_${section}`) : t("setup.change_of", { name }),
        section, name, file, parts, done: (answer) => {
          then();
          saved(answer);
        },
      });
    } catch (error) {
      tell(problem, error);
    }
  }

  async function takeList() {
    put(problem);
    try {
      file = await get("/station/file");
      await openList(file, saved);
    } catch (error) {
      tell(problem, error);
    }
  }

  async function remove(section, name) {
    put(problem);
    try {
      file = await get("/station/file");
      const change = { [section]: { [name]: null } };
      await askRemoval(change, file.sha256, name, saved);
    } catch (error) {
      tell(problem, error);
    }
  }

  function show(limits) {
    put(problem);
    if (!file.tables) {
      put(problem, t("setup.no_toml"));
      return;
    }
    const allowed = may("set-up");
    const focused = list.contains(document.activeElement) ? named(document.activeElement) : null;
    put(steps, allowed ? null : h("p", { class: "sheet is-open" }, t("setup.not_allowed"), " ", who().person ? null : h("a", { href: "/sign-in#setup" }, t("sign_in.title"))), next(file.tables));
    put(list, ...PARTS.map((section) => part(section, file.tables[section] ?? {}, allowed, limits)), lots(file, allowed, saved));
    if (!persons.firstChild) persons.append(people(file, station));
    if (focused && !list.contains(document.activeElement)) [...list.querySelectorAll("button")].find((each) => named(each) === focused)?.focus();
  }

  function part(section, tables, allowed, limits) {
    const heading = freshId("part");
    const names = Object.keys(tables);
    const cells = CELLS[section];
    return h("section", { class: "sheet setup-part", "aria-labelledby": heading },
      h("div", { class: "part-head" }, h("h2", { id: heading }, t(`setup.${section}`)),
        allowed ? h("span", { class: "part-acts" },
          section === "gauges" ? h("a", { class: "button", href: "#find" }, t("gauges.find")) : null,
          section === "characteristics" ? h("button", { type: "button", onclick: takeList }, t("setup.list_take")) : null,
          section === "gauges" ? null : h("button", { type: "button", class: "main", onclick: () => edit(section, null) }, t(`setup.add_${section}`))) : null),
      h("p", { class: "soft" }, t(`setup.about_${section}`)),
      names.length ? table(t("setup.table_of", { part: t(`setup.${section}`) }), [t("setup.name"), ...cells.map(([key]) => t(key)), allowed && t("setup.do")],
        names.map((name) => [name, ...cells.map(([, cell]) => cell(tables[name], limits.get(name), file.data)), allowed && h("span", { class: "part-acts" },
          h("button", { type: "button", "aria-label": t("setup.change_of", { name }), onclick: () => edit(section, name) }, t("setup.change")),
          h("button", { type: "button", "aria-label": t("setup.remove_of", { name }), onclick: () => remove(section, name) }, t("setup.remove")))])) : h("p", {}, t(`setup.no_${section}`)));
  }

  refresh();
  return {
    refresh(records) {
      if (!records || records.some((each) => ["set-up", "start", "tags"].includes(each.kind))) refresh();
    },
    close() {
      closed = true;
      refresh.end();
    },
  };
}

const named = (button) => button.getAttribute("aria-label") ?? button.textContent;
const text = (value) => (value === undefined ? "–" : Array.isArray(value) ? value.join(", ") : String(value));
const CELLS = {
  characteristics: [
    ["setup.as_written", (table) => table.limits ?? (table.nominal ? `${table.nominal} ${[table.tolerance_class, table.upper_deviation, table.lower_deviation].filter(Boolean).join(" / ")}` : [table.lower, table.upper].filter(Boolean).join(" … "))],
    ["setup.limits", (table, seen) => (seen ? h("span", { class: "digits" }, `${[seen.lower, seen.upper].map((each) => each ?? "").join(" … ")} ${seen.unit}`) : "–")],
    ["setup.measured_by", (table) => text(table.gauges)],
  ],
  masters: [
    ["setup.size", (table) => h("span", { class: "digits" }, text(table.size))],
    ["setup.uncertainty", (table) => (table.uncertainty ? `${table.uncertainty} (k = ${table.coverage_factor ?? "?"})` : "–")],
    ["setup.due", (table) => text(table.due)],
  ],
  gauges: [
    ["setup.link", (table) => text(table.link)],
    ["setup.check_limit", (table) => text(table.check_limit)],
  ],
  destinations: [
    ["setup.kind", (table) => word("to_kind", text(table.kind))],
    ["setup.leads_to", (table, seen, data) => h("span", { class: "path" }, leadsTo(table, data))],
  ],
};

const ORDER = ["gauges", "masters", "characteristics"];

function missingOf(tables) {
  return ORDER.filter((section) => !Object.keys(tables[section] ?? {}).length);
}

// What is still missing before the first piece can be judged, in the order in which it is done.
function next(tables) {
  const there = (section) => Object.keys(tables[section] ?? {}).length > 0;
  const steps = ORDER.map((section) => [section, there(section)]);
  const gauge = Object.keys(tables.gauges ?? {})[0];
  if (steps.every(([, ready]) => ready)) {
    return h("p", { class: "soft" }, t("setup.ready"), " ", h("a", { href: `#master/${encodeURIComponent(gauge)}` }, t("drift.master", { gauge })));
  }
  return h("ol", { class: "sheet setup-steps", "aria-label": t("setup.steps") }, steps.map(([name, ready]) => h("li", { class: ready ? "is-good" : "is-open" },
    t(ready ? "setup.step_done" : "setup.step_open"), " ", h("span", {}, t(`setup.step_${name}`)),
    name === "gauges" && !ready ? [" ", h("a", { href: "#find" }, t("gauges.find"))] : [])));
}

// Shows what would go, or why it can't, before anything is removed.
async function askRemoval(change, sha256, name, saved) {
  let looked = null;
  let refused = null;
  try {
    looked = await send("PATCH", "/station/file", { change, sha256, look: true });
  } catch (error) {
    refused = error;
  }
  const why = h("div", {});
  if (refused?.body?.findings) put(why, h("p", { class: "problem" }, t("setup.still_used")), others(refused.body.findings.filter((each) => each.severity !== "warning")));
  else if (refused) tell(why, refused);
  const sign = signing();
  ask({
    title: t("setup.remove_of", { name }),
    fields: looked ? [...wouldChange(looked), h("p", { class: "soft" }, t("setup.removal_note")), ...sign.fields] : [why],
    does: t("setup.remove"),
    act: looked ? async () => saved(await send("PATCH", "/station/file", { change, sha256, ...sign.said() })) : null,
  });
}
