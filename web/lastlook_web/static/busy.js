// A form whose work takes a moment says so on its button, and goes out once.
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
