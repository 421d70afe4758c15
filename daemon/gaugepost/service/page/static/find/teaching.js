// The gauge is taught: measured, and typed what its display shows. What is known then is said as far as it is known: which
// bytes gave which digits, how many descriptions still fit, which measurement would settle it, and when it is decided.

import { get, send } from "../common/ask.js";
import { h, put } from "../common/dom.js";
import { told, toldList } from "../common/told.js";
import { t, word } from "../common/words.js";
import { tell } from "../app/dialogs.js";
import { latest } from "../app/latest.js";

const NEVER = { "a negative value": "negative", "another unit": "unit", "a longer number": "longer" };
const MOST_RIVALS = 5;

export function teaching(place, path, begun, acts, gone) {
  const said = h("p", { class: "problem", role: "alert" });
  const waiting = h("p", { class: "soft" });
  const shows = h("input", { name: "shows", type: "text", required: true, maxlength: "100", autocomplete: "off", autocapitalize: "none", spellcheck: "false", "aria-describedby": "find-shows-note" });
  const take = h("button", { class: "main" }, t("teach.take"));
  const skip = h("button", { type: "button", onclick: () => void act("POST", "/skip") }, t("teach.skip"));
  const form = h("form", { class: "find-form" }, h("label", { class: "field" }, t("teach.shows"), shows), h("p", { class: "soft", id: "find-shows-note" }, t("teach.shows_note")),
    waiting, said, h("div", { class: "doing" }, skip, take));
  const state = h("div", { class: "teach-state", role: "status" });
  const conflict = h("div", { class: "teach-conflict" });
  const coming = h("div", { class: "teach-next" });
  const evidence = h("div", { class: "teach-evidence" });
  const rivals = h("div", {});
  const files = h("p", { class: "doing" });
  place.append(h("h2", { tabindex: "-1" }, t("teach.title")), h("ol", { class: "teach-how" }, ["measure", "press", "type"].map((each) => h("li", {}, t(`teach.${each}`)))),
    form, state, conflict, coming, evidence, rivals, files);
  let lesson = begun;
  let urls = [];

  async function act(method, more, body) {
    put(said);
    try {
      refresh(await send(method, `${path}${more}`, body));
      look();
      acts.changed();
      return true;
    } catch (error) {
      tell(said, error);
      return false;
    }
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    take.disabled = true;
    if (await act("POST", "/measurements", { shows: shows.value })) shows.value = "";
    take.disabled = false;
    shows.focus();
  });

  function refresh(fresh) {
    lesson = fresh;
    const waits = lesson.waiting_bytes > 0;
    put(waiting, waits ? t("teach.waits") : t("teach.nothing_waits"));
    skip.hidden = !waits;
  }

  const look = latest(async () => {
    if (!lesson.measurements) {
      for (const each of [state, conflict, coming, evidence, rivals, files]) put(each);
      return;
    }
    put(state, h("p", {}, t("teach.searching")));
    let found;
    try {
      found = await get(`${path}/outcome`, gone);
    } catch (error) {
      if (!gone.aborted) tell(said, error);
      return;
    }
    showState(found);
    showNext(found);
    showEvidence(found);
    showFiles(found);
    acts.changed();
  }, 100);

  function showState(found) {
    const leading = found.leading;
    put(state,
      found.decided ? h("p", { class: "teach-word is-good" }, t("teach.decided")) : h("p", { class: "teach-word is-open" }, t("teach.undecided")),
      found.reason ? h("p", {}, told(found.reason)) : null,
      h("p", {}, t("teach.candidates", { count: found.candidates, tried: found.tried })),
      leading?.cautions.length ? [h("p", {}, t("teach.cautions")), toldList(leading.cautions, { class: "plain" })] : null);
    put(conflict, found.conflict ? [h("p", { class: "problem" }, t("teach.conflict", { number: found.conflict.measurement, shows: found.conflict.shows })),
      h("p", {}, told(found.conflict.says)),
      h("button", { type: "button", onclick: () => void act("DELETE", `/measurements/${found.conflict.measurement}`) }, t("teach.drop", { number: found.conflict.measurement }))] : null);
    put(rivals, found.rivals.length ? h("details", {}, h("summary", {}, t("teach.rivals", { count: found.rivals.length })),
      toldList(found.rivals.slice(0, MOST_RIVALS).map((each) => each.says || each.kind), { class: "plain" })) : null);
  }

  function showNext(found) {
    const one = (each) => h("li", {}, h("b", {}, word("ask", each.measure)), " ", h("span", { class: "soft" }, told(each.why)), " ",
      NEVER[each.measure] ? h("button", { type: "button", "aria-label": `${t("teach.never")}: ${word("ask", each.measure)}`, onclick: () => void act("POST", "/never", { never: NEVER[each.measure] }) }, t("teach.never")) : null);
    const needed = found.next.filter((each) => each.needed);
    const wider = found.next.filter((each) => !each.needed);
    put(coming, needed.length ? [h("h3", {}, t("teach.next")), h("ul", { class: "teach-asks" }, needed.map(one))] : null,
      wider.length ? [h("h3", {}, t("teach.wider")), h("ul", { class: "teach-asks" }, wider.map(one))] : null);
  }

  function showEvidence(found) {
    const by = new Map(found.evidence.map((each) => [each.measurement, each]));
    put(evidence, h("h3", {}, t("teach.evidence")), h("p", { class: "soft" }, t("teach.key")), h("div", { class: "scrolls" }, h("table", {},
      h("thead", {}, h("tr", {}, ["number", "shows", "frame", "reads", "back"].map((each) => h("th", { scope: "col" }, t(`teach.column_${each}`))))),
      h("tbody", {}, found.measured.map((each, at) => {
        const seen = by.get(at + 1);
        return h("tr", {}, h("th", { scope: "row" }, String(at + 1)), h("td", { class: "digits" }, each.shows), h("td", {}, seen ? bytes(seen) : ""), h("td", { class: "digits" }, seen ? seen.reads : ""),
          h("td", {}, h("button", { type: "button", "aria-label": t("teach.drop", { number: at + 1 }), onclick: () => void act("DELETE", `/measurements/${at + 1}`) }, t("teach.back"))));
      })))));
  }

  function showFiles(found) {
    for (const url of urls) URL.revokeObjectURL(url);
    urls = [];
    const link = (text, name, label) => {
      urls.push(URL.createObjectURL(new Blob([text], { type: "application/toml" })));
      return h("a", { href: urls.at(-1), download: name }, label);
    };
    put(files, found.decided ? [link(found.description_file, "gauge.toml", t("teach.file")), " ", link(found.capture_file, "gauge.capture.toml", t("teach.capture"))] : null);
  }

  refresh(begun);
  look();
  place.querySelector("h2").focus();
  return {
    refresh,
    close() {
      look.end();
      for (const url of urls) URL.revokeObjectURL(url);
    },
  };
}

// The frame's bytes, with those marked that gave the number or the unit.
function bytes(seen) {
  const cells = seen.hex.split(" ");
  const text = cells.map((cell) => {
    const code = Number.parseInt(cell, 16);
    return code > 32 && code < 127 ? String.fromCharCode(code) : cell;
  });
  return h("code", { class: "teach-bytes" }, text.map((each, at) => {
    const what = each.length > 1 ? "teach-hex" : null;
    if (seen.number.includes(at)) return h("mark", { class: what }, each);
    return h(seen.unit.includes(at) ? "u" : "span", { class: what }, each);
  }));
}
