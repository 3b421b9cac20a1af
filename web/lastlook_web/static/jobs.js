// Asks once a second how far the work is, as long as some is under way. Without this the page has a link to look again.
const list = document.querySelector("[data-watch]");
const said = document.getElementById("work-said");
const EVERY = 1000;
let saidAt = 0;

const open = (state) => state === "running" || state === "waiting";

function show(row, job) {
  row.querySelector(".job-line").textContent = job.line;
  const bar = row.querySelector("progress");
  if (bar && job.share !== null) bar.value = job.share;
  else bar?.removeAttribute("value");
}

async function anew() {
  // What changed its state is told anew by the server, row by row; the rest of the page stays as it is.
  const answer = await fetch(location.href, { credentials: "same-origin" });
  if (!answer.ok) return;
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const fresh = page.querySelector("[data-watch]");
  if (!fresh) return;
  const focus = document.activeElement?.closest?.(".job")?.id;
  for (const row of [...fresh.children]) {
    const old = document.getElementById(row.id);
    if (old?.dataset.state === row.dataset.state) continue;
    row.remove();
    if (old) old.replaceWith(row);
    else list.prepend(row);
    said.textContent = `${row.querySelector("h1, h2").textContent}: ${row.querySelector(".job-state").textContent}. ${row.querySelector(".job-line").textContent}`;
    if (focus === row.id) row.querySelector("button, a")?.focus();
  }
}

async function look() {
  let wait = EVERY;
  try {
    const answer = await fetch(list.dataset.watch, { credentials: "same-origin", headers: { Accept: "application/json" } });
    if (answer.status === 403) return location.reload(); // the visit is over: the page says so
    const { jobs } = await answer.json();
    let changed = false;
    for (const job of jobs) {
      const row = document.getElementById(job.id);
      if (!row) continue;
      if (row.dataset.state !== job.state) changed = true;
      else if (open(job.state)) {
        show(row, job);
        if (job.state === "running" && Date.now() - saidAt > 15000) {
          saidAt = Date.now();
          said.textContent = job.line; // now and then for who cannot see the bar
        }
      }
    }
    if (changed) await anew();
  } catch {
    wait = 5 * EVERY; // the viewer may be starting again
  }
  if ([...list.children].some((row) => open(row.dataset.state))) setTimeout(look, wait);
}

if (list && [...list.children].some((row) => open(row.dataset.state))) setTimeout(look, EVERY);
