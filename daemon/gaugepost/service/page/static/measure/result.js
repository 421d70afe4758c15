// The result, readable from three metres: digits, the word with its shape where it lies, the picture to scale.

import { h, put, setText } from "../common/dom.js";
import { told } from "../common/told.js";
import { rule, t, word } from "../common/words.js";
import { scale } from "../drawing/scale.js";
import { shape, TONE } from "../drawing/shapes.js";

const SIDE = { undersize: "start", oversize: "end" };

export function result(place) {
  const about = h("p", { class: "result-about" });
  const digits = h("p", { class: "result-value digits" });
  const indication = h("p", { class: "result-indication" });
  const plate = h("p", { class: "result-word" });
  const picture = h("div", { class: "result-picture" });
  const ends = h("div", { class: "result-ends digits" });
  const remedy = h("p", { class: "result-remedy" });
  const facts = h("dl", { class: "facts" });
  const reasons = h("ul", { class: "reasons" });
  place.append(h("h2", { class: "said" }, t("measure.result")), about,
    h("div", { class: "result-line" }, digits, indication), picture, ends, plate, remedy, reasons, facts);

  return function show(seen) {
    const { last, next, tags } = seen;
    const fits = last && next && (last.characteristic ?? null) === next.characteristic;
    const earlier = Boolean(last) && ((last.piece ?? null) !== tags.piece || (last.lot ?? null) !== tags.lot);
    place.dataset.earlier = earlier || !fits ? "yes" : "no";
    const limits = last && !fits && last.lower === undefined && last.upper === undefined ? {} : limitsOf(last, next);
    const said = said_of(last);
    put(about, last ? headline(last, earlier) : t("measure.nothing_yet"));
    put(digits, last?.shown.value ? [last.shown.value, h("span", { class: "unit" }, ` ${last.shown.unit}`)] : "–");
    put(indication, last?.shown.indication ? [h("span", {}, t("measure.showed")), h("b", { class: "digits" }, last.shown.indication)] : []);
    plate.className = `result-word ${TONE[said] ?? (said ? "is-taken" : "")} at-${(said && said !== "gone" && SIDE[last.verdict]) || "middle"}`;
    put(plate, said ? [shape(said), h("span", {}, said === "gone" ? word("replaced", last.replaced) : word("word", said))] : []);
    place.dataset.gone = said === "gone" ? "yes" : "no";
    const zone = last?.lower_acceptance !== undefined || last?.upper_acceptance !== undefined ? last : next?.zone;
    const at = last?.value === undefined ? null : { value: last.value, uncertainty: last.shown.uncertainty_value };
    put(picture, limits.lower === undefined && limits.upper === undefined ? []
      : scale(limits, zone, at, said, pictureText(last, limits, said)));
    put(ends, [["lower", limits.shown?.lower], ["upper", limits.shown?.upper]].map(([name, text]) => h(
      "span", { class: `end-${name}` }, text ? [h("span", { class: "soft" }, `${t(`limit.${name}`)} `), text] : "")));
    setText(remedy, last?.remedy && !earlier && !last.replaced ? word("remedy", last.remedy) : "");
    put(reasons, (last?.reasons ?? []).map((each) => h("li", {}, told(each))));
    put(facts, last ? factsOf(last) : []);
  };
}

function said_of(last) {
  if (!last) return null;
  if (last.replaced) return "gone"; // it counts no more: neither its verdict nor its decision may be read off
  return last.suspect && ["in-limits", "accepted"].includes(last.shown.word) ? "suspect" : last.shown.word ?? (last.shown.value ? "taken" : null);
}

function limitsOf(last, next) {
  if (last && (last.lower !== undefined || last.upper !== undefined)) {
    return { lower: last.lower, upper: last.upper, nominal: next?.limits?.nominal, shown: last.shown };
  }
  return next?.limits ?? {};
}

function headline(last, earlier) {
  const parts = [
    last.piece && `${t("tag.piece")} ${last.piece}`,
    last.characteristic ?? t("measure.no_characteristic"),
    last.position,
    last.attempt > 1 && h("strong", { class: "attempt" }, t("measure.attempt", { number: last.attempt })),
    last.kind === "result" && last.text && told(last.text),
  ].filter(Boolean);
  const before = earlier ? [h("strong", {}, t("measure.earlier")), " "] : [];
  return [...before, ...parts.flatMap((part, at) => (at ? [" · ", part] : [part]))];
}

function pictureText(last, limits, said) {
  const parts = [
    limits.shown?.lower && `${t("limit.lower")} ${limits.shown.lower}`,
    last?.shown.value && `${last.shown.value} ${last.shown.unit}`,
    limits.shown?.upper && `${t("limit.upper")} ${limits.shown.upper}`,
    said === "gone" ? word("replaced", last.replaced) : said && word("word", said),
  ];
  return parts.filter(Boolean).join(", ");
}

function factsOf(last) {
  const { shown } = last;
  const stands = !last.replaced;
  const accepted = [shown.lower_acceptance, shown.upper_acceptance].filter(Boolean).join(" … ");
  const facts = [
    ["verdict", stands && last.verdict && last.verdict !== shown.word && word("word", last.verdict)],
    ["deviation", shown.deviation && `${shown.deviation} ${shown.unit}`],
    ["decision", stands && last.decision && word("decision", last.decision)],
    ["rule", stands && last.rule && last.rule !== "simple acceptance" && rule([last.rule, last.rule_parameter].filter(Boolean).join(" "))],
    ["accepts", stands && accepted && `${accepted} ${shown.unit}`],
    ["uncertainty", shown.uncertainty ? `± ${shown.uncertainty} (k = ${shown.coverage_factor})` : last.uncertainty_reasons && t("measure.no_uncertainty")],
    ["conformity", stands && last.conformity && `${word("conformity", last.conformity)}, ${shown.probability}`],
    ["not_judged", last.requirements_not_judged?.map((each) => word("requirement", each)).join(", ")],
  ];
  return facts.filter(([, text]) => text).map(([name, text]) => h("div", {},
    h("dt", {}, t(`fact.${name}`)), h("dd", { class: "digits" }, text)));
}
