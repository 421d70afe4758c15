// What comes next: the mastering or check that goes on, else what is measured, where, and which reading of how many.

import { h, put } from "../common/dom.js";
import { told, toldList } from "../common/told.js";
import { t, word } from "../common/words.js";

function here(seen) {
  return seen.piece.characteristics.find((row) => row.characteristic === seen.next.characteristic);
}

// Whether nothing of a characteristic is left to do: what got no verdict is to be measured once more.
function settled(row) {
  return Boolean(row?.done) && row.word !== "not-judged";
}

function toMaster(gauge) {
  return h("a", { href: `#master/${encodeURIComponent(gauge)}` }, t("measure.to_master"));
}

export function next(place, choose) {
  return function show(seen) {
    const { next: coming, procedure, tags } = seen;
    const lines = [];
    if (!seen.gauge) {
      lines.push(h("p", { class: "next-what" }, t("measure.no_gauge")), h("p", { class: "next-more" }, h("a", { href: "#find" }, t("gauges.find"))));
    } else if (procedure) {
      lines.push(h("p", { class: "next-what" }, h("span", { class: "soft" }, `${seen.gauge}: `),
        t(procedure.procedure === "check" ? "measure.check_goes_on" : "measure.mastering_goes_on")));
      lines.push(h("p", { class: "next-more" }, told(procedure.text)), toMaster(seen.gauge));
    } else if (!coming.characteristic) {
      lines.push(h("p", { class: "next-what" }, t("measure.choose")));
    } else if (seen.piece && settled(here(seen)) && !coming.again) {
      const rows = seen.piece.characteristics.filter((row) => !settled(row));
      const open = rows.find((row) => row.gauges.includes(seen.gauge)) ?? rows[0];
      lines.push(h("p", { class: "next-what" }, h("span", { class: "soft" }, `${t("measure.next")} `),
        open ? `${open.characteristic} · ${open.gauges.join(", ")}` : seen.next_piece ? `${t("tag.piece")} ${seen.next_piece}` : t("measure.another_piece")));
      lines.push(h("p", { class: "next-more" }, t("measure.is_measured", { what: coming.characteristic, piece: tags.piece, number: coming.attempt })));
    } else {
      const where = [coming.characteristic, coming.position].filter(Boolean).join(" · ");
      lines.push(h("p", { class: "next-what" }, h("span", { class: "soft" }, `${t("measure.next")} `), where));
      const more = [
        tags.piece ? `${t("tag.piece")} ${tags.piece}` : t("measure.no_piece"),
        coming.of > 1 && coming.reading && t("measure.reading_of", { number: coming.reading, of: coming.of }),
        coming.attempt > 1 && t("measure.attempt", { number: coming.attempt }),
        seen.gauge,
      ];
      lines.push(h("p", { class: "next-more" }, more.filter(Boolean).join(" · ")));
      if (coming.again) lines.push(h("p", { class: "next-more" }, told(coming.again)));
    }
    if (seen.gauge && !seen.connected) lines.push(h("p", { class: "problem" }, t("measure.link_away", { gauge: seen.gauge })));
    if (seen.gauge && !seen.judged && !procedure) {
      lines.push(h("div", { class: "unjudged" }, h("p", { class: "problem" }, t("measure.not_judged")),
        toldList(seen.reasons), toMaster(seen.gauge)));
    }
    for (const due of seen.due_soon) lines.push(h("p", { class: "is-open" }, told(due)));
    if (coming?.choices.length > 1) {
      lines.push(h("div", { class: "choices", role: "group", "aria-label": t("measure.characteristics") }, coming.choices.map((name) => h(
        "button", { type: "button", "aria-pressed": String(name === coming.characteristic), onclick: () => choose({ characteristic: name }) }, name))));
    }
    if (coming?.not_judged?.length) {
      lines.push(h("p", { class: "soft" }, t("measure.beside", { what: coming.not_judged.map((each) => word("requirement", each)).join(", ") })));
    }
    put(place, lines);
  };
}
