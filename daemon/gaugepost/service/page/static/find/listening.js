// One device that is listened to: what comes, byte for byte, and which of the descriptions at hand reads it. A person sees on
// the display which of them is right, or teaches the gauge.

import { get, send, Refused } from "../common/ask.js";
import { freshId, h, put } from "../common/dom.js";
import { told } from "../common/told.js";
import { clock, t } from "../common/words.js";
import { tell } from "../app/dialogs.js";
import { latest } from "../app/latest.js";
import { binding } from "./binding.js";
import { line } from "./line.js";
import { teaching } from "./teaching.js";

const MOST_SHOWN = 8;
const WAIT_S = 20;
const AGAIN_MS = 2_000;
const REST_MS = 700; // a gauge that streams is not read again at every frame

export function listening(place, acts, begun) {
  const path = `/lessons/${begun.lesson}`;
  const gone = new AbortController();
  const now = h("p", { class: "find-now", role: "status" });
  const said = h("p", { class: "problem", role: "alert" });
  const rows = h("tbody", {});
  const table = h("div", { class: "scrolls", hidden: true }, h("table", { class: "find-came" },
    h("caption", { class: "said" }, t("find.came")),
    h("thead", {}, h("tr", {}, ["at", "text", "hex"].map((each) => h("th", { scope: "col" }, t(`find.column_${each}`))))), rows));
  const askIt = h("button", { type: "button", hidden: true, onclick: () => void act("request") }, t("find.ask"));
  const silent = h("button", { type: "button", hidden: true, onclick: () => void act("silent") }, t("find.silent"));
  const choice = h("fieldset", { class: "find-fits", hidden: true });
  const none = h("p", { class: "is-open", hidden: true }, t("find.no_fit"));
  const leaveOut = h("button", { type: "button", hidden: true, onclick: () => void act("skip").then(fitting) }, t("find.leave_out"));
  const teachIt = h("button", { type: "button", hidden: true, onclick: () => begin() }, t("find.teach"));
  const reads = h("section", { class: "sheet", "aria-label": t("find.reads"), hidden: true }, none, choice, h("div", { class: "doing" }, leaveOut, teachIt));
  const taught = h("section", { class: "sheet find-teach", hidden: true });
  const bind = h("section", { class: "sheet find-bind", hidden: true });
  const end = h("button", { type: "button", onclick: () => void leave() }, t("find.end"));
  place.append(
    h("h2", { tabindex: "-1" }, t("find.listening", { what: begun.description || begun.link })),
    h("p", { class: "is-open", hidden: !begun.away?.length }, t("find.away", { what: (begun.away ?? []).join(", ") })),
    h("div", { class: "find-columns" },
      h("div", { class: "find-side" }, h("section", { class: "sheet" }, now, said, silent, askIt, table, line(begun, begunAnew), h("div", { class: "doing" }, end)),
        reads, taught),
      h("div", { class: "find-side" }, bind)));

  let after = 0;
  let came = [];
  let lesson = begun;
  let fits = [];
  let chosen = null;
  let form = null;
  let lessonTaught = null;

  async function follow() {
    while (!gone.signal.aborted) {
      try {
        lesson = await get(`${path}?after=${after}&wait=${after || came.length ? WAIT_S : 0}`, gone.signal);
      } catch (error) {
        if (gone.signal.aborted) return;
        if (error instanceof Refused && error.status === 404) {
          acts.list(over(error));
          return;
        }
        await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
        continue;
      }
      after = lesson.next;
      const fresh = lesson.lines.filter((each) => each.hex);
      came = [...came, ...fresh].slice(-MOST_SHOWN);
      show(lesson.lines.findLast((each) => each.said)?.said);
      if (fresh.length) fitting();
      lessonTaught?.refresh(lesson);
    }
  }

  function show(word) {
    if (lesson.problem) put(now, h("span", { class: "problem" }, told(lesson.problem)));
    else if (lesson.probing) word && put(now, h("span", {}, told(word)));
    else put(now, came.length ? t("find.comes") : t(lesson.request ? "find.ask_now" : "find.press"));
    silent.hidden = !lesson.probing;
    askIt.hidden = lesson.probing || !lesson.request;
    table.hidden = !came.length;
    put(rows, came.map((each) => h("tr", {}, h("td", { class: "digits" }, clock(each.arrived_at)),
      h("td", {}, h("code", {}, each.text), each.problem ? h("span", { class: "problem" }, " ", told(each.problem)) : null), h("td", {}, h("code", {}, each.hex)))));
    if (lesson.measurements && !lessonTaught) begin();
  }

  const fitting = latest(async () => {
    let answer;
    try {
      answer = await get(`${path}/fitting`, gone.signal);
    } catch {
      return; // who follows the lesson says why
    }
    const same = JSON.stringify(answer.fits.map(keyOf)) === JSON.stringify(fits.map(keyOf));
    fits = answer.fits;
    reads.hidden = !answer.bytes;
    none.hidden = fits.length > 0 || !answer.bytes;
    leaveOut.hidden = none.hidden || lessonTaught !== null;
    teachIt.hidden = !answer.bytes || lessonTaught !== null;
    choice.hidden = !fits.length;
    const kept = fits.find((each) => chosen && keyOf(each) === keyOf(chosen)) ?? (fits.length === 1 || fits[0]?.origin === "taught" ? fits[0] : null);
    if (same && fits.length) fits.forEach((each, at) => put(choice.querySelectorAll(".find-says")[at], each.reads.at(-1).says));
    else showFits(kept);
    choose(kept);
  }, REST_MS);

  function showFits(kept) {
    put(choice, h("legend", {}, t("find.which_reads")), fits.map((each, at) => {
      const id = freshId("fit");
      return h("label", { class: "option find-fit" },
        h("input", { type: "radio", name: "fit", value: String(at), checked: each === kept, "aria-describedby": id, onchange: () => choose(each) }),
        h("b", { class: "find-says digits" }, each.reads.at(-1).says), h("span", { id, class: "soft" }, t(`find.by_${each.origin}`, { name: each.name })));
    }));
  }

  function choose(fit) {
    const other = !fit || !chosen || keyOf(fit) !== keyOf(chosen) || JSON.stringify(fit.link) !== JSON.stringify(chosen.link);
    chosen = fit;
    bind.hidden = !fit;
    if (!other) return;
    form = fit ? form ?? binding(bind, { ...acts, ends: () => gone.abort() }, lesson) : null;
    if (fit) form.show(fit);
    else bind.replaceChildren();
  }

  function begin() {
    if (lessonTaught) return;
    leaveOut.hidden = none.hidden || lessonTaught !== null;
    teachIt.hidden = leaveOut.hidden = true;
    taught.hidden = false;
    lessonTaught = teaching(taught, path, lesson, { ...acts, changed: fitting }, gone.signal);
  }

  async function act(what) {
    put(said);
    try {
      await send("POST", `${path}/${what}`);
    } catch (error) {
      tell(said, error);
    }
  }

  // The same device, its line set otherwise.
  async function begunAnew(more) {
    gone.abort();
    try {
      await send("DELETE", path);
      acts.listen(await send("POST", "/lessons", more));
    } catch (error) {
      acts.list(error);
    }
  }

  async function leave() {
    try {
      await send("DELETE", path);
      acts.list();
    } catch (error) {
      tell(said, error);
    }
  }

  show();
  void follow();
  return {
    close() {
      gone.abort();
      fitting.end();
      lessonTaught?.close();
    },
  };
}

// What became of a lesson, without what a program would do about it.
export function over(error) {
  return error instanceof Refused && error.status === 404 ? new Refused(404, { detail: error.message }) : error;
}

function keyOf(fit) {
  return `${fit.origin} ${fit.name ?? ""} ${JSON.stringify(fit.link.decoder)}`;
}
