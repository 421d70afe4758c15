// Lots: which is in hand, and at which of their ends gauges are checked.

import { get, send } from "../common/ask.js";
import { freshId, h, put } from "../common/dom.js";
import { t } from "../common/words.js";
import { ask } from "../app/dialogs.js";
import { askInHand, inHand } from "../app/in_hand.js";
import { signing, wouldChange } from "./form.js";
import { same } from "./patch.js";

const CHECKS = { between: true, both: ["opening", "closing"], opening: ["opening"], closing: ["closing"], none: false };

function checksOf(file) {
  const said = file.tables.station?.lot_checks ?? true;
  return Object.keys(CHECKS).find((name) => same(CHECKS[name], said)) ?? (Array.isArray(said) && said.length === 2 ? "both" : "none");
}

export function lots(file, allowed, saved) {
  const heading = freshId("lots");
  return h("section", { class: "sheet setup-part", "aria-labelledby": heading },
    h("div", { class: "part-head" }, h("h2", { id: heading }, t("setup.lots")),
      h("span", { class: "part-acts" },
        h("button", { type: "button", onclick: () => askInHand() }, t("setup.lot_in_hand_change")),
        allowed ? h("button", { type: "button", class: "main", onclick: () => askChecks(saved) }, t("setup.lot_checks_change")) : null)),
    h("p", { class: "soft" }, t("setup.about_lots")),
    h("dl", { class: "facts" },
      h("div", {}, h("dt", {}, t("setup.lot_in_hand")), h("dd", {}, inHand().lot ?? "–")),
      h("div", {}, h("dt", {}, t("setup.lot_checks")), h("dd", {}, t(`setup.lot_${checksOf(file)}`)))));
}

async function askChecks(saved) {
  let file = await get("/station/file");
  const now = checksOf(file);
  const review = h("div", { class: "review", hidden: true });
  let looked = null;
  let sign = signing();
  const dialog = ask({
    title: t("setup.lot_checks"),
    fields: [
      h("fieldset", {}, h("legend", {}, t("setup.lot_checks_when")), Object.keys(CHECKS).map((name) => h("label", { class: "option" },
        h("input", { type: "radio", name: "checks", value: name, checked: name === now }), h("span", {}, t(`setup.lot_${name}`))))),
      h("p", { class: "soft" }, t("setup.lot_checks_note")), review,
    ],
    does: t("setup.look"),
    // The first press looks it over and leaves the dialog open; the second one saves.
    act: async (said) => {
      const change = { station: { lot_checks: CHECKS[said.get("checks")] } };
      if (looked === said.get("checks")) {
        saved(await send("PATCH", "/station/file", { change, sha256: file.sha256, ...sign.said() }));
        return true;
      }
      file = await get("/station/file");
      const answer = await send("PATCH", "/station/file", { change, sha256: file.sha256, look: true });
      looked = said.get("checks");
      sign = signing();
      put(review, ...wouldChange(answer), ...sign.fields);
      review.hidden = false;
      put(dialog.querySelector("button.main"), t("setup.save"));
      review.querySelector("input").focus();
      return false;
    },
  });
  dialog.addEventListener("change", (event) => {
    if (event.target.name !== "checks") return;
    looked = null;
    review.hidden = true;
    put(dialog.querySelector("button.main"), t("setup.look"));
  });
}
