// Shows each second's card when it is due by the clock of the computer that made it. A card that cannot be shown in
// time is taken away: a wrong time is worse than none.

const LATE_MS = 200; // what a card's own time on show allows for, with room for the screen
const ASK_MS = 4000;

const sheet = document.querySelector(".clock");
const code = sheet.querySelector(".clock-code");
const path = code.querySelector("path");
const time = sheet.querySelector(".clock-time");
const day = sheet.querySelector(".clock-day");
const state = sheet.querySelector(".clock-state");

let cards = new Map(); // second → card
let ahead = null; // that computer's clock minus performance.now(), ms
let unsure = Infinity; // how far `ahead` may be off, ms
let asked = -Infinity;
let shown = 0;
let frames = [];

async function ask() {
  asked = performance.now();
  const before = performance.now();
  try {
    const answer = await fetch(sheet.dataset.cards, { cache: "no-store" });
    const after = performance.now();
    if (!answer.ok) throw new Error(String(answer.status));
    const said = await answer.json();
    const half = (after - before) / 2;
    // The quickest answer tells the time best; an old one is worth less, since clocks run apart.
    if (half <= unsure + 5 || ahead === null) {
      ahead = said.now - (before + after) / 2;
      unsure = half;
    } else {
      unsure += 1;
    }
    cards = new Map(said.cards.map((card) => [card.at / 1000, card]));
  } catch {
    unsure += 50;
  }
}

function take(words) {
  code.classList.add("off");
  path.setAttribute("d", "");
  time.textContent = "––:––:––";
  day.textContent = "\u00a0"; // its line stays
  state.textContent = words;
  state.setAttribute("role", "alert"); // said once; that all is well is not said every second
  state.classList.add("wrong");
  shown = 0;
}

function tick(now) {
  requestAnimationFrame(tick);
  frames.push(now);
  if (frames.length > 60) frames.shift();
  if (performance.now() - asked > ASK_MS) ask();
  if (ahead === null) return;
  const there = performance.now() + ahead;
  const second = Math.floor(there / 1000);
  if (second === shown) return;
  const card = cards.get(second);
  const late = there - second * 1000;
  if (!card) {
    if (shown || late > 500) take("No answer from lastlook: the card was taken away, as it would tell a wrong time.");
    return;
  }
  if (unsure > LATE_MS) {
    take(`Too slow a way to lastlook (± ${Math.round(unsure)} ms). Show the card on the computer that runs it.`);
    return;
  }
  if (late + unsure > LATE_MS + 100) {
    if (shown) take(`This screen came ${Math.round(late)} ms late; waiting for the next second.`);
    return;
  }
  shown = second;
  code.setAttribute("viewBox", `0 0 ${card.side} ${card.side}`);
  path.setAttribute("d", card.path);
  code.classList.remove("off");
  time.textContent = card.time;
  day.textContent = `${card.date}, ${card.offset}`;
  const rate = frames.length > 20 ? Math.round((1000 * (frames.length - 1)) / (frames.at(-1) - frames[0])) : 0;
  const screen = rate ? `, screen ${rate} times a second` : "";
  state.textContent = `Shown ${Math.round(late)} ms late ± ${Math.ceil(unsure)} ms${screen}.`;
  state.removeAttribute("role");
  state.classList.remove("wrong");
}

sheet.querySelector(".clock-fill").addEventListener("click", () => {
  if (document.fullscreenElement) document.exitFullscreen();
  else document.documentElement.requestFullscreen?.();
});
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) ask();
});
ask();
requestAnimationFrame(tick);
