// One key settles a group. Keys stand on the buttons; they can be turned off on the help page (WCAG 2.2, 2.1.4).
let on = true;
try {
  on = localStorage.getItem("lastlook-keys") !== "off";
} catch {
  // no storage here: the keys stay on
}
const keyed = new Map([...document.querySelectorAll("[data-key]")].map((element) => [element.dataset.key, element]));
let sent = false;

addEventListener("keydown", (event) => {
  if (event.defaultPrevented || event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
  if (!(event.target instanceof Element)) return;
  if (event.target.id === "typed") {
    if (event.key === "Enter") {
      event.preventDefault(); // else the first button would be taken
      document.getElementById("as").click();
    } else if (event.key === "Escape") event.target.blur();
    return;
  }
  if (event.target.closest("input, select, textarea")) return;
  const letter = event.key.length === 1;
  if (letter && !on) return;
  const element = keyed.get(letter ? event.key.toLowerCase() : event.key);
  if (!element) return;
  event.preventDefault();
  if (element instanceof HTMLInputElement) element.focus();
  else element.click();
});

// An answer goes out once, however often the key is hit while the next group comes.
for (const form of document.querySelectorAll(".queue form")) {
  form.addEventListener("submit", (event) => {
    if (sent) event.preventDefault();
    sent = true;
    document.querySelector(".queue").classList.add("sending");
  });
}
addEventListener("pageshow", () => {
  sent = false;
  document.querySelector(".queue")?.classList.remove("sending");
});
