// The row that is edited: Escape leaves it, and what takes a moment says so. All of it works without this.
import "./busy.js";

const form = document.getElementById("edit");
if (form) {
  const first = form.querySelector("[aria-invalid]") ?? form.querySelector("input:not([type=hidden])");
  if (!form.querySelector("[autofocus]")) first?.focus({ preventScroll: true });
  const before = new URLSearchParams(new FormData(form)).toString();
  form.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || event.isComposing) return;
    event.preventDefault();
    // What was typed is not thrown away by one key: the second one is meant.
    const refused = form.querySelector("[aria-invalid]") !== null; // what came back is typed, and kept nowhere yet
    const changed = refused || new URLSearchParams(new FormData(form)).toString() !== before;
    const said = form.querySelector(".form-acts a");
    if (changed && document.activeElement !== said) said.focus();
    else location.assign(form.dataset.leave);
  });
}
