// A dialog with a form: what is asked, what was refused and why, and back to where the focus was.

import { Refused } from "../common/ask.js";
import { freshId, h, put } from "../common/dom.js";
import { told } from "../common/told.js";
import { t } from "../common/words.js";

// Opens a dialog. `act(form data)` does what is asked; what it throws is shown, and the dialog stays open, as it does
// where it returns false.
export function ask({ title, fields, does, act, wide = false }) {
  const before = document.activeElement;
  const name = freshId("dialog");
  const said = h("p", { class: "problem", role: "alert" });
  const form = h("form", { method: "dialog" },
    h("h2", { id: name }, title), ...fields, said,
    h("p", { class: "doing" },
      h("button", { type: "button", onclick: () => dialog.close() }, t("dialog.close")),
      act && h("button", { class: "main" }, does ?? t("dialog.do"))));
  const dialog = h("dialog", { "aria-labelledby": name, class: wide ? "wide" : null }, form);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    put(said);
    try {
      if (await act(new FormData(form)) !== false) dialog.close();
    } catch (error) {
      tell(said, error);
    }
  });
  dialog.addEventListener("close", () => {
    dialog.remove();
    if (before?.isConnected) before.focus();
  });
  document.body.append(dialog);
  dialog.showModal();
  return dialog;
}

// Says in `place` why something was not done: the service's own words, or that it was not reached.
export function tell(place, error) {
  if (error instanceof Refused && error.status === 401) {
    put(place, t("frame.signed_out"), " ", h("a", { href: `/sign-in${location.hash}` }, t("sign_in.title")));
  } else if (error instanceof Refused) put(place, h("span", {}, told(error.message), error.hint ? [": ", told(error.hint)] : []));
  else put(place, t("frame.lost"));
}
