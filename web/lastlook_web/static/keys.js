// Keys beside those of the browser. "/" and "?" can be turned off (WCAG 2.2, 2.1.4); arrows are no letters.
const SWITCH = "lastlook-keys";
let on = true;
try {
  on = localStorage.getItem(SWITCH) !== "off";
} catch {
  // no storage here: the keys stay on
}

const typing = (target) => target.closest("input, select, textarea, video, [contenteditable]") !== null;

function go(address) {
  if (address) {
    location.assign(address);
    return true;
  }
  return false;
}

addEventListener("keydown", (event) => {
  if (event.defaultPrevented || event.ctrlKey || event.altKey || event.metaKey || !(event.target instanceof Element)) return;
  if (typing(event.target)) return;
  const picture = document.querySelector(".picture");
  let done = false;
  if (on && event.key === "/") {
    const box = document.getElementById("q");
    box?.focus();
    box?.select();
    done = box !== null;
  } else if (on && event.key === "?") {
    done = go(document.querySelector(".block-nav li:last-child a")?.href);
  } else if (picture && event.key === "ArrowLeft") {
    done = go(picture.dataset.earlier);
  } else if (picture && event.key === "ArrowRight") {
    done = go(picture.dataset.later);
  }
  if (done) event.preventDefault();
});

const line = document.getElementById("keys-switch");
if (line) {
  const button = line.querySelector("button");
  const show = () => {
    button.setAttribute("aria-pressed", String(on));
    button.lastChild.textContent = on ? " are on" : " are off";
  };
  button.addEventListener("click", () => {
    on = !on;
    try {
      localStorage.setItem(SWITCH, on ? "on" : "off");
    } catch {
      // for this page only, then
    }
    show();
  });
  line.hidden = false;
  show();
}
