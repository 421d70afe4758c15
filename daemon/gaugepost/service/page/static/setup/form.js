// One table of the station file as a form: looked over by the service, shown with what it would change, then saved.

import { send, Refused, get, who } from "../common/ask.js";
import { freshId, h, put } from "../common/dom.js";
import { told } from "../common/told.js";
import { t, word } from "../common/words.js";
import { tell } from "../app/dialogs.js";
import { inHand } from "../app/in_hand.js";
import { fill, read, sayIn } from "./fields.js";
import { difference, keyPath, same, sentence } from "./patch.js";
import { steps } from "./steps.js";

let lastOperator = "";

// Who is recorded for an edit, and why it is made.
export function signing() {
  const operator = who().person ? null : h("input", { name: "operator", maxlength: "64", autocomplete: "off", required: true, value: inHand().operator ?? lastOperator });
  const reason = h("input", { name: "reason", maxlength: "300", autocomplete: "off" });
  return {
    fields: [operator && h("label", { class: "field" }, t("setup.operator"), operator), h("label", { class: "field" }, t("setup.reason"), reason)].filter(Boolean),
    operator,
    said() {
      lastOperator = operator?.value.trim() || lastOperator;
      return { ...(operator ? { operator: lastOperator } : {}), ...(reason.value.trim() ? { reason: reason.value.trim() } : {}) };
    },
  };
}

// Shows what an edit would change, and what somebody should know of the file then.
export function wouldChange(answer) {
  return [
    h("h3", {}, t("setup.would_change")),
    answer.changes.length ? h("ul", { class: "plain" }, answer.changes.map((each) => h("li", {}, told(each)))) : h("p", {}, t("setup.only_text")),
  ];
}

export function others(found) {
  return found.length ? h("ul", { class: "plain" }, found.map((each) => h("li", {}, h("b", {}, each.key), " ", sentence(each)))) : null;
}

// What is right and still worth knowing: not what the edit changes, and no reason against it.
export function worthKnowing(found) {
  return found.length ? h("details", {}, h("summary", {}, t("find.warnings", { count: found.length })), others(found)) : null;
}

// Opens the form. `name` is null for a new table; `parts` gives fields for it, how they are laid out and what it begins with;
// `done(answer)` is told what was saved.
export function openForm({ title, section, name, file, parts, done }) {
  const adds = name === null;
  let { sha256 } = file;
  let base = adds ? {} : file.tables[section][name];
  let looked = false;
  const heading = freshId("setup");
  const named = h("input", { name: "name", id: freshId("name"), maxlength: "64", autocomplete: "off", autocapitalize: "none", spellcheck: "false", "aria-required": "true" });
  const nameSaid = h("p", { class: "problem", id: freshId("said") });
  named.setAttribute("aria-describedby", `${nameSaid.id}-help ${nameSaid.id}`);
  const { fields, boxes, fixed = {} } = parts(file, base);
  if (adds) base = fixed;
  if (!adds) fill(fields, base);
  let opened = read(fields);
  if (adds) opened = {};
  const said = h("div", { class: "said-here", role: "alert" });
  const review = h("div", { class: "review", hidden: true });
  const button = h("button", { class: "main" }, t("setup.look"));
  const leave = h("div", { class: "leave", hidden: true },
    h("p", {}, t("setup.leave")), h("p", { class: "doing" },
      h("button", { type: "button", onclick: () => dialog.close() }, t("setup.leave_yes")),
      h("button", { type: "button", onclick: () => { leave.hidden = true; button.focus(); } }, t("setup.leave_no"))));
  const form = h("form", { method: "dialog", novalidate: true },
    h("h2", { id: heading }, title),
    adds ? h("div", { class: "set-field" }, h("label", { for: named.id }, t("setup.name"), h("span", { class: "soft" }, ` (${t("setup.required")})`)), named,
      h("p", { class: "soft help", id: `${nameSaid.id}-help` }, t(`setup.name_${section}`)), nameSaid) : null,
    ...boxes, said, review,
    h("p", { class: "doing" }, h("button", { type: "button", onclick: () => away() }, t("dialog.close")), button), leave);
  const dialog = h("dialog", { class: "wide setup-form", "aria-labelledby": heading }, form);
  let sign = signing();

  const now = () => {
    const current = read(fields);
    const table = { ...base };
    for (const key of fields.keys()) {
      if (same(current[key], opened[key])) continue;
      if (current[key] === undefined) delete table[key];
      else table[key] = current[key];
    }
    return table;
  };
  const called = () => (adds ? named.value.trim() : name);
  const change = () => ({ [section]: { [called()]: adds ? now() : difference(base, now()) } });
  const dirty = () => (adds ? Boolean(named.value.trim()) || !same(now(), start) : !same(now(), base));
  const start = now();

  function away() {
    if (!dirty()) dialog.close();
    else {
      leave.hidden = false;
      leave.querySelector("button").focus();
    }
  }

  function unlook() {
    if (!looked) return;
    looked = false;
    review.hidden = true;
    put(button, t("setup.look"));
  }

  function nameIs(text) {
    put(nameSaid, text);
    named.setAttribute("aria-invalid", String(Boolean(text)));
  }

  // Shows findings at their fields, those of other tables below; returns whether something was wrong.
  function show(findings) {
    const here = findings.map((each) => ({ each, path: keyPath(each.key) })).filter(({ path }) => path[0] === section && path[1] === called());
    const within = here.filter(({ path }) => path.length > 2 && fields.has(path[2])).map(({ each, path }) => ({ path: path.slice(2), said: sentence(each, path.at(-1)), warning: each.severity === "warning" }));
    sayIn(fields, within);
    const ofTable = here.filter(({ path }) => path.length === 2 || !fields.has(path[2])).map(({ each }) => each);
    const badName = adds ? ofTable.find((each) => each.finding.endsWith("can't be a name")) : null;
    if (badName) {
      nameIs(t("setup.name_bad", { name: badName.write.match(/\[\w+\.(.+)\]$/)?.[1] ?? "ring-38" }));
      ofTable.splice(ofTable.indexOf(badName), 1);
    }
    const rest = findings.filter((each) => each.severity !== "warning" && !here.some((one) => one.each === each));
    const wrong = ofTable.some((each) => each.severity !== "warning");
    put(said, ofTable.length ? h("p", { class: wrong ? "problem" : "is-open caution" }, ofTable.map((each) => sentence(each))) : null,
      rest.length ? [h("p", { class: "problem" }, t("setup.elsewhere")), others(rest)] : null);
    for (const details of form.querySelectorAll("details")) if (ofTable.length || details.querySelector('[aria-invalid="true"], .problem:not(:empty)')) details.open = true;
    form.querySelector('[aria-invalid="true"]')?.focus();
  }

  // The file was edited by somebody else: what they changed and we did not is taken, what both changed is left to decide.
  function meanwhile(fresh) {
    sha256 = fresh.sha256;
    const theirs = fresh.tables?.[section]?.[called()];
    if (adds) {
      put(said, h("p", { class: "is-open" }, t("setup.edited_meanwhile")));
      if (!theirs) return true;
      nameIs(t("setup.name_taken"));
      named.focus();
      return false;
    }
    if (!theirs) {
      const kept = now();
      base = {};
      opened = {};
      fill(fields, kept);
      put(said, h("p", { class: "problem" }, t("setup.removed_meanwhile")));
      return false;
    }
    const mine = now();
    const typed = read(fields);
    const touched = new Set([...fields.keys()].filter((key) => !same(typed[key], opened[key])));
    const changed = [...new Set([...Object.keys(base), ...Object.keys(theirs)])].filter((key) => !same(base[key], theirs[key]));
    const taken = changed.filter((key) => !touched.has(key));
    const both = changed.filter((key) => touched.has(key) && !same(mine[key], theirs[key]));
    base = theirs;
    fill(fields, theirs);
    opened = read(fields);
    for (const key of touched) fields.get(key).set(typed[key]);
    put(said, h("p", { class: "is-open" }, t("setup.edited_meanwhile")),
      taken.length ? h("p", {}, t("setup.taken", { keys: taken.map((key) => word("key", key)).join(", ") })) : null,
      both.length ? h("ul", { class: "both" }, both.map((key) => h("li", {},
        h("span", {}, t("setup.both", { key: word("key", key), theirs: theirs[key] === undefined ? t("setup.nothing") : written(theirs[key]), mine: mine[key] === undefined ? t("setup.nothing") : written(mine[key]) })), " ",
        h("button", { type: "button", onclick: (event) => {
          fields.get(key)?.set(theirs[key]);
          event.target.closest("li").remove();
          unlook();
          fields.get(key)?.focus();
        } }, t("setup.take_theirs"))))) : null);
    return both.length === 0;
  }

  async function ask(body) {
    try {
      return await send("PATCH", "/station/file", { change: change(), sha256, ...body });
    } catch (error) {
      if (!(error instanceof Refused)) {
        tell(said, error);
        return null;
      }
      if (error.status === 409) {
        const fresh = await get("/station/file");
        if (fresh.sha256 !== sha256) {
          unlook();
          if (meanwhile(fresh)) await look(true);
          else said.querySelector("button")?.focus();
          return null;
        }
      }
      unlook();
      if (error.body.findings) show(error.body.findings);
      else tell(said, error);
      return null;
    }
  }

  async function look(keep = false) {
    nameIs("");
    sayIn(fields, []);
    if (!keep) put(said);
    if (adds && !called()) {
      nameIs(t("setup.name_missing"));
      named.focus();
      return;
    }
    if (adds && file.tables[section]?.[called()]) {
      nameIs(t("setup.name_taken"));
      named.focus();
      return;
    }
    if (!adds && !Object.keys(difference(base, now())).length) {
      put(said, h("p", {}, t("setup.nothing_changed")));
      return;
    }
    const answer = await ask({ look: true });
    if (!answer) return;
    const kept = [...said.childNodes];
    show(answer.warnings);
    if (keep) said.replaceChildren(...kept);
    looked = true;
    sign = signing();
    const elsewhere = answer.warnings.filter((each) => !same(keyPath(each.key).slice(0, 2), [section, called()]));
    put(review, ...wouldChange(answer), worthKnowing(elsewhere), ...sign.fields);
    review.hidden = false;
    put(button, t("setup.save"));
    button.scrollIntoView({ block: "nearest" });
    (sign.operator && !sign.operator.value ? sign.operator : button).focus({ preventScroll: true });
  }

  async function save() {
    if (sign.operator && !sign.operator.value.trim()) {
      sign.operator.focus();
      return;
    }
    const answer = await ask(sign.said());
    if (!answer) return;
    dialog.close();
    done(answer);
  }

  steps({
    dialog, form, review, unlook, dirty, away,
    step: () => (looked ? save() : look()),
    failed: (error) => tell(said, error),
  });
  (adds ? named : form.querySelector(".set-field :is(input, select)"))?.focus();
  return dialog;
}

function written(value) {
  return typeof value === "string" ? value : JSON.stringify(value);
}
