// What forms of two steps have in common: looked over, then saved; left without losing what was typed.

// Wires a dialog's form. `step` looks it over or saves it, one at a time, and `failed` tells why that was not done;
// `unlook` is called when something else is typed than what was looked over, `away` asks before what is `dirty` is left.
export function steps({ dialog, form, review, step, failed, unlook, dirty, away }) {
  const before = document.activeElement;
  let busy = false;
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (busy) return;
    busy = true;
    try {
      await step();
    } catch (error) {
      failed(error);
    } finally {
      busy = false;
    }
  });
  form.addEventListener("input", (event) => {
    if (!review.contains(event.target)) unlook();
  });
  dialog.addEventListener("cancel", (event) => {
    if (!dirty()) return;
    event.preventDefault();
    away();
  });
  dialog.addEventListener("close", () => {
    dialog.remove();
    if (before?.isConnected) before.focus();
  });
  document.body.append(dialog);
  dialog.showModal();
}
