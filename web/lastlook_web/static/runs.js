// The row that is edited: Escape leaves it, and what takes a moment says so. All of it works without this.
const form = document.getElementById("edit");
if (form) {
  const first = form.querySelector("[aria-invalid]") ?? form.querySelector("input:not([type=hidden])");
  if (!form.querySelector("[autofocus]")) first?.focus({ preventScroll: true });
  const before = new URLSearchParams(new FormData(form)).toString();
  form.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || event.isComposing) return;
    event.preventDefault();
    // What was typed is not thrown away by one key: the second one is meant.
    const changed = new URLSearchParams(new FormData(form)).toString() !== before;
    const said = form.querySelector(".form-acts a");
    if (changed && document.activeElement !== said) said.focus();
    else location.assign(form.dataset.leave);
  });
}

for (const each of document.querySelectorAll("form[data-busy]")) {
  each.addEventListener("submit", (event) => {
    const button = event.submitter ?? each.querySelector("button");
    if (each.dataset.sent) {
      event.preventDefault();
      return;
    }
    each.dataset.sent = "1";
    button.setAttribute("aria-busy", "true");
    button.textContent = each.dataset.busy;
  });
}
addEventListener("pageshow", (event) => {
  if (event.persisted) location.reload();
});
