// Where an act leads, there the focus is: at the place the address names, else at what is told of the act. Without this
// the next Tab goes on from there all the same, but nothing shows it.
function land() {
  if (document.activeElement !== document.body || document.querySelector("[autofocus]")) return;
  const place = named() ?? document.querySelector("#main > .said");
  if (!place) return;
  place.focus({ preventScroll: true });
  if (document.activeElement === place) return;
  place.tabIndex = -1;
  place.addEventListener("blur", () => place.removeAttribute("tabindex"), { once: true });
  place.focus({ preventScroll: true });
}

// The page may not have got there yet, so ":target" may match nothing.
function named() {
  try {
    return document.getElementById(decodeURIComponent(location.hash.slice(1)));
  } catch {
    return null; // no address of this page
  }
}

// What was typed and could not be kept is gone on with at its end.
for (const field of document.querySelectorAll("input[aria-invalid], textarea[aria-invalid], input[autofocus], textarea[autofocus]")) {
  if (/^(text|search|tel|url|password|textarea)$/.test(field.type)) field.setSelectionRange(field.value.length, field.value.length);
}

land();
addEventListener("hashchange", land);
