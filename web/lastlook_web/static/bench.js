// Sends photos and clips piece by piece, goes on after a lost connection where it was, and shows what became of them.
// Without this the form sends them in one go.
import { renewed } from "./sending.js";

const form = document.getElementById("photos");
const list = document.getElementById("files");
const said = document.getElementById("sent-said");
const piece = Number(form.dataset.piece);
const MARKED = 65536; // bytes from each end by which a file is known again
const waiting = [];
let busy = false;
let watching = false;

const settled = (state) => state === "taken" || state === "known" || state === "refused";
const rest = (ms) => new Promise((done) => setTimeout(done, ms));

function words(bytes) {
  return bytes < 1e6 ? `${Math.max(1, Math.round(bytes / 1e3))} kB` : `${(bytes / 1e6).toFixed(bytes < 1e8 ? 1 : 0)} MB`;
}

function row(file) {
  const line = document.createElement("li");
  line.className = "file-under-way";
  line.dataset.state = "arriving";
  const name = document.createElement("b");
  name.textContent = file.name;
  name.id = `f${list.childElementCount}-${Date.now()}`;
  const text = document.createElement("span");
  text.className = "file-line";
  text.textContent = "Waits.";
  const bar = document.createElement("progress");
  bar.max = file.size;
  bar.value = 0;
  bar.setAttribute("aria-labelledby", name.id);
  line.append(name, text, bar);
  list.prepend(line);
  return line;
}

function tell(line, state, text, have) {
  line.dataset.state = state;
  line.querySelector(".file-line").textContent = text;
  const bar = line.querySelector("progress");
  if (!bar) return;
  if (state === "arriving") bar.value = have;
  else bar.remove();
}

// FNV-1a over both ends: no secret, only a mark by which the same file is met again. Pages of a local network have no
// digests of the browser's own.
async function mark(file) {
  const ends = [file.slice(0, MARKED), file.slice(Math.max(0, file.size - MARKED))];
  let sum = 0x811c9dc5;
  for (const end of ends) {
    for (const byte of new Uint8Array(await end.arrayBuffer())) sum = Math.imul(sum ^ byte, 0x01000193) >>> 0;
  }
  return sum.toString(16);
}

async function ask(address, body, headers = {}, once = true) {
  const answer = await fetch(address, {
    method: "POST",
    body,
    credentials: "same-origin",
    headers: { "X-Lastlook-Token": form.elements.token.value, Accept: "application/json", ...headers },
  });
  const type = answer.headers.get("Content-Type") ?? "";
  const told = type.startsWith("application/json") ? await answer.json() : null;
  if (answer.ok && told) return told;
  if (told?.error) throw Object.assign(new Error(`${told.error} ${told.hint}`), { final: answer.status !== 500 });
  // The viewer was started again, or somebody came in again in another tab: it goes on with the token of now.
  if (answer.status === 403 && once && (await renewed())) return ask(address, body, headers, false);
  if (answer.status === 403) throw Object.assign(new Error("This visit is over. Load the page again and come in anew; what was sent is kept."), { final: true });
  if (answer.status === 413) throw Object.assign(new Error("It is larger than what can be sent in this way."), { final: true });
  throw new Error("The viewer did not take it.");
}

async function send(file, line) {
  const about = new URLSearchParams({ name: file.name, size: file.size, modified: file.lastModified ?? 0, mark: await mark(file) });
  for (let tries = 0; ; tries += 1) {
    try {
      let known = await ask(form.dataset.begin, about);
      line.dataset.id = known.id;
      while (known.state === "arriving") {
        const have = known.have;
        tell(line, "arriving", `${words(have)} of ${words(file.size)}`, have);
        const body = file.slice(have, have + piece);
        known = await ask(`${form.dataset.begin}/${known.id}?at=${have}`, body, { "Content-Type": "application/octet-stream" });
        tries = 0;
      }
      tell(line, known.state, known.line, file.size);
      return;
    } catch (error) {
      if (error.final || error.name === "NotReadableError") {
        tell(line, "refused", error.final ? error.message : "The phone does not give it. Choose it again.", 0);
        said.textContent = `${file.name}: ${error.message}`;
        return;
      }
      // The network is away, or the viewer: wait, longer each time, and go on where it was.
      const pause = Math.min(30, 2 ** tries);
      tell(line, "arriving", `No connection. It goes on by itself, the next try in ${pause} s.`, line.querySelector("progress")?.value ?? 0);
      await rest(pause * 1000);
    }
  }
}

async function work() {
  if (busy) return;
  busy = true;
  while (waiting.length) {
    const [file, line] = waiting.shift();
    await send(file, line);
    watch();
  }
  busy = false;
}

// What is here is taken in by the viewer; ask what became of it until all is settled.
async function watch() {
  if (watching) return;
  watching = true;
  for (;;) {
    await rest(1000);
    let files;
    try {
      const answer = await fetch(form.dataset.state, { credentials: "same-origin", headers: { Accept: "application/json" } });
      isOver(answer.status === 403);
      if (answer.status === 403) break; // nothing is told here any more, however often it is asked
      ({ files } = await answer.json());
    } catch {
      await rest(4000);
      continue;
    }
    let came = false;
    let open = false;
    for (const file of files) {
      const line = list.querySelector(`[data-id="${file.id}"]`);
      if (!line || line.dataset.state === "arriving" || settled(line.dataset.state)) continue;
      if (line.dataset.state !== file.state) {
        tell(line, file.state, file.line, 0);
        said.textContent = `${file.name}: ${file.line}`;
        came ||= settled(file.state);
      }
      open ||= !settled(file.state);
    }
    if (came) await anew();
    if (!open) break;
  }
  watching = false;
}

// The visit is over: said once, with the way back in. The page stays, with what it says of files that were not sent; who
// came in again in another tab goes on here.
function isOver(over) {
  const before = document.getElementById("visit-over");
  if (!over) return before?.remove();
  if (before) return undefined;
  const line = document.createElement("p");
  line.id = "visit-over";
  line.className = "gap";
  line.setAttribute("role", "alert");
  const way = document.createElement("a");
  way.href = location.pathname;
  way.textContent = "Come in again";
  line.append("This visit is over; what was sent is kept. ", way, " to see what became of it.");
  return list.before(line);
}

// The strip of what came is the server's; only it is put in place anew.
async function anew() {
  const answer = await fetch(location.href, { credentials: "same-origin" });
  if (!answer.ok) return;
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const fresh = page.getElementById("now-sheet");
  if (fresh) document.getElementById("now-sheet").replaceWith(document.adoptNode(fresh));
}

function take(files) {
  const most = Number(form.dataset.most);
  for (const file of [...files].slice(0, most)) {
    const line = row(file);
    const largest = Number(file.type.startsWith("video/") ? form.dataset.clip : form.dataset.photo);
    if (file.type.startsWith("image/") && file.size > largest) tell(line, "refused", `It has ${words(file.size)}; at most ${words(largest)} are taken from a phone.`, 0);
    else waiting.push([file, line]);
  }
  if (files.length > most) said.textContent = `Only the first ${most} were taken; choose the others again.`;
  work();
}

for (const input of form.querySelectorAll("input[type=file]")) {
  input.addEventListener("change", () => {
    take(input.files);
    input.value = "";
  });
}
form.addEventListener("submit", (event) => {
  event.preventDefault();
  for (const input of form.querySelectorAll("input[type=file]")) if (input.files.length) take(input.files);
});
document.getElementById("send").hidden = true; // what is chosen is sent at once
form.querySelector(".by-form").hidden = true;
form.querySelector(".by-script").hidden = false;
addEventListener("beforeunload", (event) => {
  if (busy) event.preventDefault();
});
if (list.querySelector('[data-state="waiting"]')) watch();
