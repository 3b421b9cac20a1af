// While what goes in is being counted, asks once a second for the page anew and puts in what it says then: how far it
// is, in the end what goes in. Without this the page has a link to look again.
const EVERY = 1000;
const MOST = 10_000;

function far(shown, now) {
  // In place, so that nothing moves and the focus stays where it is.
  shown.querySelector("#far").textContent = now.querySelector("#far").textContent;
  const value = now.querySelector("progress").getAttribute("value");
  if (value === null) shown.querySelector("progress").removeAttribute("value");
  else shown.querySelector("progress").value = value;
}

async function look(wait) {
  const counting = document.querySelector("[data-counting]");
  if (!counting) return;
  let next = Math.min(wait * 1.5, MOST);
  try {
    const answer = await fetch(location.href, { credentials: "same-origin" });
    if (answer.status === 403) return location.reload(); // the visit is over: the page says so
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = page.getElementById("seen");
    if (answer.ok && fresh && !fresh.querySelector("[data-counting]")) {
      const focused = counting.contains(document.activeElement);
      document.getElementById("seen").replaceWith(fresh);
      document.getElementById("seen-said").textContent = `Counted: ${fresh.querySelector("p").textContent}`;
      if (focused) fresh.querySelector("h2").focus();
      return;
    }
    if (answer.ok) next = EVERY;
    const now = fresh?.querySelector("[data-counting]");
    if (now) far(counting, now);
  } catch {
    // the server may be gone for a moment: asked again, less often
  }
  setTimeout(look, next, next);
}

setTimeout(look, EVERY, EVERY);
