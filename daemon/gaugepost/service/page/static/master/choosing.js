// Which ring, proved to be the one in hand; whether ring and gauge have soaked; then it begins.

import { send } from "../common/ask.js";
import { freshId, h, put } from "../common/dom.js";
import { told } from "../common/told.js";
import { t } from "../common/words.js";
import { tell } from "../app/dialogs.js";
import { minutes } from "./beside.js";

export function choosing(place, acts, asked) {
  const title = h("h2", { tabindex: "-1" });
  const kinds = h("div", { class: "choices" });
  const rings = h("fieldset", { class: "rings" });
  const proof = h("div", { class: "proof" });
  const wait = h("div", {});
  const said = h("p", { class: "problem", role: "alert" });
  const begin = h("button", { class: "main big" });
  const anyway = h("button", { class: "big", hidden: true }, t("master.begin_anyway"));
  const form = h("form", { class: "master-form" }, rings, proof, wait, said, h("div", { class: "actions" }, begin, anyway));
  place.append(title, kinds, form);
  let seen = null;
  let what = asked;
  let ring = null;

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    put(said);
    const data = new FormData(form);
    const names = [ring, what === "mastering" && data.get("second")].filter(Boolean);
    const serials = names.map((name) => (data.get(`serial-${name}`) ?? "").trim());
    try {
      if (what === "check") await send("POST", path("check"), { master: ring, ...(serials[0] ? { serial: serials[0] } : {}) });
      else {
        const given = serials.some(Boolean) ? { serials: serials[1] ? serials : serials.slice(0, 1) } : {};
        const movement = data.get("movement");
        await send("POST", path("mastering"), { masters: names, ...given, ...(movement && names.length === 1 ? { movement } : {}) });
      }
      acts.refresh();
    } catch (error) {
      tell(said, error);
      form.querySelector('input[type="text"]')?.select();
    }
  });
  form.addEventListener("change", (event) => {
    if (event.target.name === "ring") ring = event.target.value;
    if (["ring", "second"].includes(event.target.name)) showProof();
    showBegin();
  });
  const path = (name) => `/gauges/${encodeURIComponent(seen.gauge)}/${name}`;

  function showRings() {
    const fitting = seen.masters.filter((each) => each.fits);
    const others = seen.masters.filter((each) => !each.fits);
    put(rings, h("legend", {}, t("master.which")), ...fitting.map(option),
      others.length ? h("details", { open: fitting.length === 0 }, h("summary", {}, t("master.others")), others.map(option)) : null);
    const chosen = rings.querySelector(`input[value="${CSS.escape(ring ?? "")}"]`);
    if (chosen) chosen.checked = true;
  }

  function option(each) {
    const id = freshId("ring-about");
    const about = [each.size, each.away && t("master.away", { away: each.away }), each.overdue && t("master.overdue"), each.tolerance_class && t("master.class", { name: each.tolerance_class })];
    return h("label", { class: "option ring" },
      h("input", { type: "radio", name: "ring", value: each.master, disabled: each.overdue, "aria-describedby": id }),
      h("b", {}, each.master), h("span", { id, class: "digits" }, about.filter(Boolean).join(" · "),
        each.why_not ? h("span", { class: "soft" }, " ", told(each.why_not)) : null));
  }

  function showProof() {
    const second = form.elements.second?.value || null;
    const usable = seen.masters.filter((each) => each.fits && !each.overdue && each.master !== ring);
    const parts = [];
    if (what === "mastering" && usable.length) {
      parts.push(h("label", { class: "field" }, t("master.second"), h("select", { name: "second" },
        h("option", { value: "" }, t("master.no_second")), usable.map((each) => h("option", { value: each.master, selected: each.master === second }, `${each.master} · ${each.size}`)))));
    }
    for (const name of [ring, what === "mastering" && second !== ring ? second : null].filter(Boolean)) parts.push(...proofOf(name));
    if (what === "mastering" && seen.prove_sense && !second) {
      parts.push(h("fieldset", {}, h("legend", {}, t("master.movement")), h("p", { class: "soft" }, t("master.movement_note")),
        ["larger", "smaller"].map((way, at) => h("label", { class: "option" },
          h("input", { type: "radio", name: "movement", value: way, checked: at === 0 }), t(`master.${way}`)))));
    }
    put(proof, ...parts);
  }

  function proofOf(name) {
    const by = seen.masters.find((each) => each.master === name)?.confirmed_by ?? [];
    if (by.includes("serial")) {
      return [h("label", { class: "field" }, t("master.serial", { ring: name }),
        h("input", { type: "text", name: `serial-${name}`, autocomplete: "off", autocapitalize: "none", spellcheck: "false", maxlength: "200", required: !by.includes("scan") })),
      by.includes("scan") ? h("p", { class: "soft" }, t("master.or_scan")) : null];
    }
    return by.includes("scan") ? [h("p", {}, t("master.will_scan", { ring: name }))] : [];
  }

  function showBegin() {
    const drifting = what === "mastering" && seen.soak.drifting.length > 0;
    put(begin, drifting ? t("master.soaking", { minutes: minutes(seen.soak.settles_in_s) })
      : t(what === "check" ? "master.begin_check" : "master.begin", { ring: [ring, form.elements.second?.value].filter(Boolean).join(" + ") }));
    begin.disabled = drifting || !ring || !seen.connected;
    anyway.hidden = !drifting;
    anyway.disabled = !ring || !seen.connected;
    put(wait, what === "check" && seen.soak.drifting.length ? h("p", { class: "is-open" }, t("master.check_drifts")) : null, drifting ? h("p", { class: "is-open" }, t(seen.soak.refuses ? "master.wait_refused" : "master.wait_flagged")) : null,
      seen.connected ? null : h("p", { class: "problem" }, t("measure.link_away", { gauge: seen.gauge })));
  }

  return function show(fresh) {
    const first = seen === null;
    const rings = JSON.stringify([fresh.masters, fresh.usual, fresh.mastered]);
    const changed = first || JSON.stringify([seen.masters, seen.usual, seen.mastered]) !== rings;
    seen = fresh;
    if (!what) what = seen.next === "mastering" ? "mastering" : "check";
    if (!seen.mastered) what = "mastering";
    put(title, t(what === "check" ? "master.check_of" : "master.master_of", { gauge: seen.gauge }));
    if (changed) {
      if (!seen.masters.some((each) => each.master === ring)) ring = seen.usual[what];
      put(kinds, seen.mastered ? ["check", "mastering"].map((each) => h("button", {
        type: "button", "aria-pressed": String(each === what), onclick: () => acts.begin(each) }, t(`master.${each}`))) : []);
      showRings();
      showProof();
    }
    showBegin();
  };
}
