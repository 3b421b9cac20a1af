// Before and after: both pictures looked at together, wiped or blinked, and the places that changed one by one.
import { Viewer, bar, wholeWindow } from "./zoom.js";

const SVG = "http://www.w3.org/2000/svg";
const BLINK_MS = 1200; // never more than once a second (WCAG 2.3.1 allows three)
const pair = document.getElementById("pair");
const frames = [...pair.querySelectorAll(".zoom")];

class Pair {
  constructor() {
    this.viewers = frames.map((frame) => new Viewer(frame, { keys: true }));
    const [before, after] = this.viewers;
    this.before = before;
    this.after = after;
    this.asTaken = { ...frames[1].dataset };
    this.taken = after.image.getAttribute("src");
    this.places = [];
    this.at = -1;
    this.laidOver = null;
    before.onView((view) => this.lock(after, view));
    after.onView((view) => this.lock(before, view));
    this.edge = document.createElement("span");
    this.edge.className = "wipe-line";
    this.tags = ["before", "after"].map((word) => {
      const tag = document.createElement("span");
      tag.className = `which which-${word}`;
      tag.textContent = word;
      return tag;
    });
    this.listen();
    this.mode("side");
    this.lay();
  }

  // Both show the same part. Pictures of other shapes follow by shares.
  lock(other, view) {
    if (this.locking) return;
    this.locking = true;
    other.set(view, true);
    this.locking = false;
  }

  listen() {
    const id = (name) => document.getElementById(name);
    this.ui = Object.fromEntries(
      ["how", "taken", "prior", "next", "which-place", "wipe", "edge", "blink", "blinking", "turn", "blink-said", "verdict"].map((name) => [name, id(name)]),
    );
    const stage = pair.closest(".stage");
    this.ui.how.addEventListener("click", (event) => {
      const button = event.target.closest("[data-mode]");
      if (button) this.mode(button.dataset.mode);
    });
    this.ui.edge.addEventListener("input", () => this.wipe());
    this.edge.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      this.edge.setPointerCapture(event.pointerId);
    });
    this.edge.addEventListener("pointermove", (event) => {
      if (!this.edge.hasPointerCapture(event.pointerId)) return;
      const { left, width } = this.stack.getBoundingClientRect();
      this.ui.edge.value = String(Math.round((100 * (event.clientX - left)) / width));
      this.wipe();
    });
    this.ui.blinking.addEventListener("click", () => this.blink(!this.ticking));
    this.ui.turn.addEventListener("click", () => {
      this.blink(false);
      this.turn();
    });
    this.ui.next.addEventListener("click", () => this.step(1));
    this.ui.prior.addEventListener("click", () => this.step(-1));
    this.ui.taken.addEventListener("click", () => this.over(this.ui.taken.getAttribute("aria-pressed") === "true"));
    stage.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.altKey || event.metaKey || event.target.closest("input")) return;
      if (event.key === "n" || event.key === "p") {
        event.preventDefault();
        this.step(event.key === "n" ? 1 : -1);
      } else if (event.key === "Escape" && this.ticking) {
        event.preventDefault();
        this.blink(false);
      }
    });
    let shown = "side"; // on paper both lie side by side, whatever the screen shows
    window.addEventListener("beforeprint", () => {
      shown = pair.dataset.mode;
      this.mode("side");
    });
    window.addEventListener("afterprint", () => this.mode(shown));
    document.addEventListener("visibilitychange", () => document.hidden && this.blink(false));
    bar(stage.querySelector(".zoom-bar"), () => this.viewers, { window: wholeWindow(stage, () => this.viewers) });
  }

  // -------------------------------------------------------------------------------------------- how

  mode(mode) {
    this.blink(false);
    pair.dataset.mode = mode;
    for (const button of this.ui.how.querySelectorAll("[data-mode]")) button.setAttribute("aria-pressed", String(button.dataset.mode === mode));
    const stacked = mode !== "side";
    if (stacked && !this.stack) {
      this.home = frames[1].nextSibling;
      this.stack = document.createElement("div");
      this.stack.className = "pair-stack";
      frames[0].before(this.stack);
      this.stack.append(frames[0], frames[1], this.edge, ...this.tags);
      frames[1].classList.add("under");
      // The after picture lies on top: it takes the keys and hands, the one below only follows.
      frames[0].tabIndex = -1;
    } else if (!stacked && this.stack) {
      this.stack.before(frames[0]);
      this.home.before(frames[1]);
      this.stack.remove();
      this.stack = null;
      frames[1].classList.remove("under");
      frames[1].style.clipPath = "";
      frames[1].style.visibility = "";
      frames[0].tabIndex = 0;
    }
    this.ui.wipe.hidden = mode !== "wipe";
    this.ui.blink.hidden = mode !== "blink";
    this.edge.hidden = mode !== "wipe";
    if (mode === "wipe") this.wipe();
    if (mode === "blink") {
      frames[1].style.clipPath = "";
      this.which(true);
    }
    for (const viewer of this.viewers) viewer.set({}, true);
  }

  wipe() {
    const share = Number(this.ui.edge.value);
    this.edge.style.left = `${share}%`;
    frames[1].style.visibility = "";
    frames[1].style.clipPath = `inset(0 0 0 ${share}%)`;
    this.ui.edge.setAttribute("aria-valuetext", `${share} % before, ${100 - share} % after`);
    for (const tag of this.tags) tag.hidden = false;
  }

  which(after) {
    frames[1].style.visibility = after ? "" : "hidden";
    this.tags[0].hidden = after;
    this.tags[1].hidden = !after;
  }

  turn() {
    const after = frames[1].style.visibility === "hidden";
    this.which(after);
    this.ui["blink-said"].textContent = this.ticking ? "" : after ? "after" : "before";
  }

  blink(on) {
    clearTimeout(this.ticking);
    // One wait after the other: a timer that has fallen behind must not make up for it.
    const tick = () => {
      this.ticking = setTimeout(() => {
        this.turn();
        tick();
      }, BLINK_MS);
    };
    this.ticking = 0;
    if (on) tick();
    this.ui.blinking.setAttribute("aria-pressed", String(on));
    this.ui.blinking.textContent = on ? "Stop blinking" : "Start blinking";
    if (on) this.ui["blink-said"].textContent = "";
    // Whoever asked for less movement is told what it will do before it does anything.
    else if (matchMedia("(prefers-reduced-motion: reduce)").matches) this.ui["blink-said"].textContent = "Your system asks for less movement; “Show the other one” turns by hand.";
  }

  // -------------------------------------------------------------------------------------------- laid over

  async lay() {
    const say = (...parts) => {
      const line = document.createElement("p");
      line.append(...parts);
      this.ui.verdict.replaceChildren(line);
    };
    say("Trying whether the later picture can be laid over the earlier one …");
    for (let time = 0; time < 200; time += 1) {
      let answer;
      try {
        answer = await (await fetch(pair.dataset.laid)).json();
      } catch {
        say("It cannot be told now whether they can be aligned. Load the page again.");
        return;
      }
      if (answer.done) {
        this.answered(answer, say);
        return;
      }
      await new Promise((go) => setTimeout(go, 500));
    }
    say("It takes too long to tell whether they can be aligned. Load the page again later.");
  }

  answered(answer, say) {
    this.ui.verdict.classList.toggle("verdict-not", !answer.aligned);
    if (!answer.aligned) {
      const strong = document.createElement("b");
      strong.textContent = "Not aligned: ";
      say(strong, `${answer.why}.${answer.help ? ` What would help: ${answer.help}.` : ""}`);
      return;
    }
    const count = answer.places.length;
    const changed = count ? `${count} changed place${count === 1 ? "" : "s"}, ${answer.changed} % of what both show.` : "No changed place was found; a small change may be missed.";
    say(`Aligned by ${answer.basis}, within about ${answer.off} px. ${changed}`);
    this.laidOver = answer;
    this.ui.taken.disabled = false;
    this.over(true);
    this.places = answer.places;
    for (const button of [this.ui.next, this.ui.prior]) button.disabled = !count;
    this.outline();
  }

  // The later picture as the earlier one sees it, or as it was taken.
  over(laid) {
    const { after, laidOver } = this;
    this.ui.taken.setAttribute("aria-pressed", String(!laid));
    const { width, height } = this.before;
    after.image.src = laid ? laidOver.src : this.taken;
    after.image.width = laid ? laidOver.width : Number(this.asTaken.width);
    after.image.height = laid ? laidOver.height : Number(this.asTaken.height);
    after.source(laid ? { width, height } : this.asTaken);
    after.image.decode().catch(() => null).then(() => after.set(this.before.view, true));
    this.outline();
  }

  outline() {
    const laid = this.ui.taken.getAttribute("aria-pressed") !== "true";
    for (const viewer of this.viewers) {
      viewer.drawing.replaceChildren();
      if (viewer === this.after && !laid) continue;
      this.places.forEach((place, n) => {
        const group = document.createElementNS(SVG, "g");
        if (n === this.at) group.setAttribute("class", "here");
        const points = place.outline.map(([x, y]) => `${x * viewer.width},${y * viewer.height}`).join(" ");
        for (const kind of ["halo", "rim", "core changed"]) {
          const line = document.createElementNS(SVG, "polygon");
          line.setAttribute("class", kind);
          line.setAttribute("points", points);
          group.append(line);
        }
        const text = document.createElementNS(SVG, "text");
        text.setAttribute("x", place.box[0] * viewer.width);
        text.setAttribute("y", place.box[1] * viewer.height);
        text.setAttribute("dy", "-.4em");
        text.textContent = String(n + 1);
        group.append(text);
        viewer.drawing.append(group);
      });
      viewer.redrawn = true;
      viewer.draw();
    }
  }

  step(by) {
    const count = this.places.length;
    if (!count) return;
    this.at = this.at < 0 ? (by > 0 ? 0 : count - 1) : (this.at + by + count) % count;
    const [left, top, wide, high] = this.places[this.at].box;
    const room = 0.35; // of the frame, that the place may take
    const { w, h } = this.before.box();
    const fit = this.before.fit();
    const zoom = Math.max(1, Math.min((room * w) / (wide * this.before.width * fit), (room * h) / (high * this.before.height * fit), 8));
    this.before.set({ x: left + wide / 2, y: top + high / 2, zoom });
    this.ui["which-place"].textContent = `changed place ${this.at + 1} of ${count}`;
    this.outline();
  }
}

if (frames.length === 2) new Pair();
