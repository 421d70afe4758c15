// The inspection record of a lot or a piece: what the journal says of it, set for paper. The same numbers as everywhere.

import { get } from "../common/ask.js";
import { choice, choose } from "../common/choices.js";
import { h, put } from "../common/dom.js";
import { moment, t } from "../common/words.js";
import { latest } from "../app/latest.js";
import { inHand } from "../app/in_hand.js";
import { restsOn, signatures } from "./beneath.js";
import { pieces, summary, withoutUncertainty } from "./pieces.js";
import { signing } from "./signing.js";

const REST_MS = 1500;
const PAPERS = { a4: "A4", letter: "Letter" };

export function open(place, station) {
  const [, lot, piece] = location.hash.split("/").map(decodeURIComponent);
  const wanted = { lot: lot ?? inHand().lot ?? "", piece: piece ?? "" };
  const asked = h("form", { class: "asked" });
  const paper = h("article", { class: "paper sheet" });
  const hand = h("section", { class: "sheet signing" });
  document.body.dataset.paper = choice("paper") ?? usual();
  place.append(h("div", { class: "look" }, asked, paper, hand));

  const refresh = latest(async () => {
    const query = new URLSearchParams();
    if (wanted.lot) query.set("lot", wanted.lot);
    if (wanted.piece) query.set("piece", wanted.piece);
    try {
      const said = await get(`/measuring/record?${query}`);
      show(paper, said);
      put(hand, signing({ lot: said.lot, piece: said.piece }, () => station.say(t("inspection.signed"))));
    } catch { /* the notice says that the service is away */ }
  }, REST_MS);

  const field = (name) => h("label", { class: "field" }, t(`tag.${name}`), h("input", { name, value: wanted[name], autocomplete: "off", maxlength: "200" }));
  put(asked, field("lot"), field("piece"),
    h("label", { class: "field" }, t("inspection.paper"), h("select", { onchange: (event) => {
      choose("paper", event.target.value);
      document.body.dataset.paper = event.target.value;
    } }, Object.entries(PAPERS).map(([value, text]) => h("option", { value, selected: value === document.body.dataset.paper }, text)))),
    h("div", { class: "choices asked-acts" }, h("button", { class: "main" }, t("inspection.show")),
      h("button", { type: "button", onclick: () => print() }, t("inspection.print"))));
  asked.addEventListener("submit", (event) => {
    event.preventDefault();
    for (const name of ["lot", "piece"]) wanted[name] = asked.elements[name].value.trim();
    history.replaceState(null, "", `#inspection/${encodeURIComponent(wanted.lot)}${wanted.piece ? `/${encodeURIComponent(wanted.piece)}` : ""}`);
    refresh();
    station.say(t("inspection.title"));
  });

  refresh();
  return {
    refresh(records) {
      if (!records || records.some((each) => each.lot === wanted.lot || ["void", "amendment", "rejudged", "signature", "suspect", "lifted"].includes(each.kind))) refresh();
    },
    close() {
      delete document.body.dataset.paper;
      refresh.end();
    },
  };
}

function usual() {
  return navigator.languages.some((each) => ["en-US", "en-CA"].includes(each)) ? "letter" : "a4";
}

function show(paper, said) {
  const measured = said.pieces.some((each) => each.measurements.length);
  const what = [said.lot ? t("measure.lot", { name: said.lot }) : t("inspection.no_lot"), said.piece && t("measure.piece", { name: said.piece })].filter(Boolean).join(" · ");
  put(paper,
    h("header", { class: "paper-head" }, h("div", {}, h("p", { class: "soft" }, t("inspection.title")), h("h1", {}, what)),
      h("dl", { class: "facts" }, [
        ["inspection.station", said.station],
        ["inspection.made_at", `${moment(said.made_at, said.zone)} (${said.zone})`],
        ["inspection.head", String(said.head)],
      ].map(([name, text]) => h("div", {}, h("dt", {}, t(name)), h("dd", { class: "digits" }, text))))),
    said.left_out ? h("p", { class: "problem" }, t("inspection.left_out")) : null,
    ...(measured ? [summary(said), pieces(said), withoutUncertainty(said), restsOn(said)].filter(Boolean) : [h("p", {}, t("inspection.nothing"))]),
    signatures(said.signatures, said.zone),
    h("footer", { class: "paper-foot soft" }, h("p", {}, t("inspection.note")),
      h("p", { class: "digits" }, t("inspection.journal", { epoch: said.epoch, head: said.head, hash: said.head_hash }))));
}
