// The player with its line: keys, words as they are spoken, where it is on the line, a stretch from here to there.
// Without this module the browser's own player, the links and the forms do the same.
import "./busy.js";
import { keeping } from "./clip_keep.js";
import { line } from "./clip_line.js";

const sheet = document.querySelector(".clip");
const player = document.getElementById("player");
const box = document.querySelector(".player-box");
const moment = document.getElementById("moment");

export const clock = (seconds) => {
  const ms = Math.max(0, Math.round(seconds * 1000));
  const whole = Math.floor(ms / 1000);
  const hours = Math.floor(whole / 3600);
  const minutes = Math.floor(whole / 60) % 60;
  const pair = (value) => String(value).padStart(2, "0");
  const tail = ms % 1000 ? `.${String(ms % 1000).padStart(3, "0").replace(/0+$/, "")}` : "";
  return hours ? `${hours}:${pair(minutes)}:${pair(whole % 60)}${tail}` : `${minutes}:${pair(whole % 60)}${tail}`;
};

if (moment) keeping(moment.form, clock);
if (player) {
  // The page that shows what it would do goes on where the player is.
  document.querySelector(".tag-stretch")?.addEventListener("submit", ({ target }) => {
    if (player.currentTime) target.elements.at.value = Math.round(player.currentTime * 1000);
  });
  if (box.dataset.ask) {
    // Some browsers play it and some do not: only the browser itself knows.
    if (player.canPlayType(box.dataset.ask)) {
      box.hidden = false;
      document.querySelector(".unplayable").hidden = true;
    }
  }
  if (!box.hidden) start();
}

// A still of the rows as one of the strip.
function stripped(link) {
  const item = document.createElement("li");
  const copy = link.cloneNode(true);
  const at = document.createElement("span");
  at.textContent = link.closest(".stretch").querySelector(".stretch-at").textContent.trim();
  copy.append(at);
  item.append(copy);
  return item;
}

function start() {
  const fps = Number(sheet.dataset.fps) || 25;
  const nowSaid = document.getElementById("now-said");
  const speed = document.getElementById("speed");
  const drawn = line(Number(sheet.dataset.length), (seconds) => seek(seconds));
  let ready = true;
  for (const each of document.querySelectorAll(".needs-script")) each.hidden = false;

  // A player that has sound and no picture would show a black box: its stills are shown instead.
  const fail = () => {
    if (!ready) return;
    ready = false;
    player.pause();
    box.hidden = true;
    document.querySelector(".unplayable").hidden = false;
    const strip = document.querySelector(".strip-of ol");
    if (strip && !strip.children.length) strip.append(...[...document.querySelectorAll(".stretch-look > a")].map(stripped));
    for (const each of document.querySelectorAll(".needs-script")) each.hidden = true;
  };
  if (player.error) fail();
  player.addEventListener("error", fail);
  const known = () => {
    if (!player.videoWidth) return fail();
    // The "#t=" of the address is a hint that not every player follows for every kind of file.
    const at = Number(player.dataset.at);
    if (at && Math.abs(player.currentTime - at) > 0.25) player.currentTime = at;
    show();
  };
  if (player.readyState >= 1) known();
  else player.addEventListener("loadedmetadata", known, { once: true });

  function seek(seconds) {
    player.currentTime = Math.min(Math.max(0, seconds), player.duration || Infinity);
  }

  function show() {
    const at = player.currentTime;
    drawn.at(at);
    let row = null;
    for (const each of document.querySelectorAll(".stretch")) {
      if (Number(each.dataset.at) > at + 0.05) break;
      row = each;
    }
    for (const each of document.querySelectorAll(".stretch.now")) if (each !== row) each.classList.remove("now");
    row?.classList.add("now");
    for (const cue of document.querySelectorAll("a.cue")) {
      const on = Number(cue.dataset.at) <= at + 0.01 && at < Number(cue.dataset.to);
      if (on) cue.setAttribute("aria-current", "true");
      else cue.removeAttribute("aria-current");
    }
    if (player.paused && moment && document.activeElement !== moment) moment.value = clock(at);
  }
  for (const event of ["timeupdate", "seeked", "pause"]) player.addEventListener(event, show);

  // What is being said, for the eye; read out only where somebody asked for it.
  const track = player.textTracks[0];
  if (track) {
    if (track.mode === "disabled") track.mode = "hidden";
    track.addEventListener("cuechange", () => {
      nowSaid.textContent = [...(track.activeCues ?? [])].map((cue) => cue.text.replace(/<[^>]*>/g, "")).join(" ");
    });
  } else document.querySelector(".player-acts #aloud").hidden = true;
  const aloud = document.getElementById("aloud");
  aloud.addEventListener("click", () => {
    const on = aloud.getAttribute("aria-pressed") !== "true";
    aloud.setAttribute("aria-pressed", String(on));
    nowSaid.setAttribute("aria-live", on ? "polite" : "off");
  });

  document.addEventListener("click", (event) => {
    const link = event.target.closest?.("a.seek");
    if (!link || !ready || event.ctrlKey || event.metaKey || event.shiftKey || event.button !== 0) return;
    event.preventDefault();
    seek(Number(link.dataset.at));
    player.scrollIntoView({ block: "nearest" });
    player.focus({ preventScroll: true });
  });

  const rate = (value) => {
    player.playbackRate = value;
    speed.textContent = value === 1 ? "" : `${value} × speed`;
  };
  const frame = (count) => {
    player.pause();
    // The middle of a frame, so that no rounding shows its neighbour.
    seek((Math.floor(player.currentTime * fps + 0.001) + count + 0.5) / fps);
  };
  const play = () => (player.paused ? player.play().catch(() => {}) : player.pause());
  const put = (id) => {
    const field = document.getElementById(id);
    if (!field) return;
    field.value = clock(player.currentTime);
    drawn.range();
  };
  const keys = {
    " ": play,
    ArrowLeft: (far) => seek(player.currentTime - (far ? 5 : 1)),
    ArrowRight: (far) => seek(player.currentTime + (far ? 5 : 1)),
    Home: () => seek(0),
    End: () => seek(player.duration || 0),
    ",": () => frame(-1),
    ".": () => frame(1),
    j: () => rate(Math.max(0.25, player.playbackRate / 2)),
    k: () => {
      rate(1);
      player.pause();
    },
    l: () => {
      if (player.paused) player.play().catch(() => {});
      else rate(Math.min(4, player.playbackRate * 2));
    },
    i: () => put("s-from"),
    o: () => put("s-to"),
    s: () => {
      player.pause();
      moment.value = clock(player.currentTime);
      moment.form.requestSubmit();
    },
  };
  let letters = true;
  try {
    letters = localStorage.getItem("lastlook-keys") !== "off";
  } catch {
    // no storage here: the keys stay on
  }
  addEventListener("keydown", (event) => {
    if (!ready || event.defaultPrevented || event.ctrlKey || event.altKey || event.metaKey) return;
    const target = event.target instanceof Element ? event.target : document.body;
    if (target.closest("input, select, textarea, .wide, .strip-of")) return;
    const name = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const act = keys[name];
    if (!act || (name === " " && target.closest("button, a, summary"))) return;
    if (name.length === 1 && name !== " " && (!letters || event.shiftKey)) return;
    if (event.repeat && !name.startsWith("Arrow") && name !== "," && name !== ".") return;
    event.preventDefault();
    act(event.shiftKey);
  }, { capture: true });
}
