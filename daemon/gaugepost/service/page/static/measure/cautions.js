// What must be minded before the gauge goes in.

import { h } from "../common/dom.js";
import { t } from "../common/words.js";

export function cautions() {
  return h("details", { class: "cautions" },
    h("summary", {}, t("caution.spindle")),
    h("ul", {}, ["hot", "edges", "air", "people"].map((each) => h("li", {}, t(`caution.${each}`)))));
}
