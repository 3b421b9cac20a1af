// Drawing on a picture: points gather, are measured while they do, and become a mark when they are kept.
// What is kept is drawn and listed by the server; here only what is not kept yet.
import { OVER, sent } from "./sending.js";
import { viewer } from "./zoom.js";

const SVG = "http://www.w3.org/2000/svg";
const LEAST = { trace: 2, point: 1, region: 3, dimension: 2 };
const panel = document.getElementById("drawing");

class Drawing {
  constructor(form) {
    this.form = form;
    this.stage = form.closest(".stage");
    this.svg = viewer.drawing;
    this.kept = this.svg.querySelector(".kept");
    this.list = document.getElementById("marks-list");
    this.mm = document.getElementById("mm");
    this.said = form.querySelector("[data-draft]");
    this.told = this.stage.querySelector("[data-told]");
    this.size = form.querySelector("[data-size]");
    this.points = [];
    this.ahead = []; // points taken back, to be set again
    this.done = []; // decisions of this visit, to be taken back
    this.undone = [];
    this.at = { x: 0.5, y: 0.5 };
    this.draft = document.createElementNS(SVG, "g");
    this.draft.setAttribute("class", "draft");
    this.svg.append(this.draft);
    for (const radio of form.elements.shape) radio.addEventListener("change", () => this.choose(radio.value));
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.keep();
    });
    form.querySelector("[name=back]").addEventListener("click", () => this.back());
    form.querySelector("[name=again]").addEventListener("click", () => this.again());
    form.querySelector("[name=drop]").addEventListener("click", () => this.stop());
    document.addEventListener("submit", (event) => {
      const other = event.target.closest("#marks-list form, #mm form");
      if (!other) return;
      event.preventDefault();
      this.send(other, event.submitter, true);
    });
    this.stage.addEventListener("keydown", (event) => {
      if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z" && !event.target.closest("input, select")) {
        event.preventDefault();
        if (event.shiftKey) this.again();
        else this.back();
      }
    });
    // What was drawn and not kept would be lost: the browser asks first.
    addEventListener("beforeunload", (event) => {
      if (this.points.length > 1) event.preventDefault();
    });
    viewer.onView(() => this.redraw());
    new ResizeObserver(() => this.redraw()).observe(viewer.frame);
    this.show();
    if (form.dataset.fresh) this.refresh();
  }

  get shape() {
    return this.form.elements.shape.value;
  }

  choose(shape) {
    const none = shape === "";
    viewer.tool = none ? null : { tap: (place) => this.tap(place), key: (event) => this.key(event) };
    viewer.frame.classList.toggle("pointing", !none);
    this.points = shape === "point" ? this.points.slice(0, 1) : none ? [] : this.points;
    this.ahead = [];
    if (!none) {
      const { x, y } = viewer.view;
      this.at = { x, y };
      viewer.frame.focus({ preventScroll: true });
    }
    this.show();
  }

  stop() {
    const here = this.form.contains(document.activeElement);
    for (const radio of this.form.elements.shape) radio.checked = radio.value === "";
    this.choose("");
    if (here) this.form.querySelector("[name=shape]:checked").focus(); // the button that was pressed is away
  }

  // -------------------------------------------------------------------------------------------- points

  tap(place) {
    this.at = place;
    this.set(place);
  }

  set(place) {
    if (this.shape === "point") this.points = [place];
    else this.points.push(place);
    this.ahead = [];
    this.show();
  }

  key(event) {
    const step = (event.shiftKey ? 1 : 12) / viewer.scale();
    const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    if (moves[event.key]) {
      const [dx, dy] = moves[event.key];
      const inside = (value) => Math.min(1, Math.max(0, value));
      this.at = { x: inside(this.at.x + dx / viewer.width), y: inside(this.at.y + dy / viewer.height) };
      this.follow();
      this.redraw();
      return true;
    }
    if (event.key === "Enter") {
      if (event.ctrlKey) this.keep();
      else this.set({ ...this.at });
      return true;
    }
    if (event.key === "Backspace") {
      this.back();
      return true;
    }
    if (event.key === "Escape") {
      this.stop();
      return true;
    }
    return false;
  }

  // The view goes along when the crosshair leaves it.
  follow() {
    const { left, top, s, w, h } = viewer.placed();
    const x = left + this.at.x * viewer.width * s;
    const y = top + this.at.y * viewer.height * s;
    const room = 30;
    const off = (value, length) => (value < room ? room - value : value > length - room ? length - room - value : 0);
    if (viewer.view.zoom > 1.001 && (off(x, w) || off(y, h))) viewer.panBy(off(x, w), off(y, h));
  }

  back() {
    if (this.points.length) {
      this.ahead.push(this.points.pop());
      this.show();
    } else if (this.done.length) {
      const uid = this.done.pop();
      this.turn(uid, this.undone, this.done);
    }
  }

  again() {
    if (this.ahead.length) {
      this.points.push(this.ahead.pop());
      this.show();
    } else if (this.undone.length) {
      const uid = this.undone.pop();
      this.turn(uid, this.done, this.undone);
    }
  }

  // Take back what was decided last, or its taking back; what could not be stays where it was.
  async turn(uid, to, from) {
    const answer = await this.change(this.form.dataset.undo, { uid });
    if (answer) to.push(answer.uid);
    else from.push(uid);
    this.show();
  }

  // -------------------------------------------------------------------------------------------- what is shown

  show() {
    const { shape } = this;
    const least = LEAST[shape] ?? 0;
    const { elements } = this.form;
    const open = shape !== "";
    const lacking = least - this.points.length;
    this.form.classList.toggle("open", open);
    elements.keep.disabled = !open || lacking > 0;
    elements.back.disabled = !this.points.length && !this.done.length;
    elements.again.disabled = !this.ahead.length && !this.undone.length;
    // A button that has done its last loses the focus: the picture takes it.
    if (document.activeElement?.form === this.form && document.activeElement.disabled) viewer.frame.focus({ preventScroll: true });
    const count = `${this.points.length} point${this.points.length === 1 ? "" : "s"}`;
    const how = "tap the picture, or move the cross with the arrow keys (Shift: finely) and set it with Enter";
    this.said.textContent = !open
      ? "Choose what to draw."
      : lacking > 0
        ? `${count}; ${lacking} more at least: ${how}.`
        : `${count}. Keep it, or set more.`;
    this.redraw();
    this.measure();
  }

  redraw() {
    const { draft, points, shape } = this;
    draft.replaceChildren();
    viewer.redrawn = true;
    viewer.draw();
    if (shape === "") return;
    const px = (place) => [place.x * viewer.width, place.y * viewer.height];
    const unit = 1 / viewer.scale();
    const make = (name, kind, attributes) => {
      const element = document.createElementNS(SVG, name);
      element.setAttribute("class", kind);
      for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
      draft.append(element);
    };
    const line = points.map((place) => px(place).join(",")).join(" ");
    for (const kind of ["halo", "rim", "core draft-core"]) {
      if (points.length > 1) make(shape === "region" ? "polygon" : "polyline", kind, { points: line });
      for (const place of points) make("circle", kind, { cx: px(place)[0], cy: px(place)[1], r: 4 * unit });
      const [x, y] = px(this.at);
      const [long, gap] = [16 * unit, 5 * unit];
      make("path", kind, {
        d: `M${x - long} ${y}H${x - gap}M${x + gap} ${y}H${x + long}M${x} ${y - long}V${y - gap}M${x} ${y + gap}V${y + long}`,
      });
    }
  }

  // How long it is on the plane that is known, a moment after the last point.
  measure() {
    clearTimeout(this.soon);
    this.size.textContent = "";
    if (!["trace", "dimension"].includes(this.shape) || this.points.length < 2) return;
    const mine = this.words();
    this.soon = setTimeout(async () => {
      const told = await asked(`${this.form.dataset.mm}?points=${encodeURIComponent(mine)}`);
      if (told && mine === this.words()) this.size.textContent = told.said;
    }, 250);
  }

  words() {
    return this.points.map(({ x, y }) => `${x.toFixed(6)},${y.toFixed(6)}`).join(" ");
  }

  // -------------------------------------------------------------------------------------------- what is kept

  async keep() {
    if (this.form.elements.keep.disabled) return;
    this.form.elements.points.value = this.words();
    const answer = await this.send(this.form, null, false);
    if (!answer) return;
    this.done.push(answer.uid);
    this.undone = [];
    this.points = [];
    this.ahead = [];
    this.form.elements.label.value = "";
    this.show();
  }

  async send(form, button, remember) {
    const fields = new FormData(form, button);
    if (form.dataset.ends) {
      fields.set("points", this.words());
    }
    form.querySelector("[data-refused]")?.remove();
    const answer = await this.change(form.getAttribute("action"), Object.fromEntries(fields));
    if (!answer && form !== this.form) this.refuse(form);
    if (answer && remember) {
      if (form.dataset.ends) this.stop();
      this.done.push(answer.uid);
      this.show();
    }
    return answer;
  }

  // On a phone the line below the picture is a screen away from a form further down: it is said in the form too.
  refuse(form) {
    const why = document.createElement("p");
    why.className = "gap";
    why.dataset.refused = "";
    why.textContent = this.told.textContent;
    form.prepend(why);
    (form.querySelector("input:not([type=hidden])") ?? form.querySelector("button")).focus();
  }

  async change(action, fields) {
    let answer;
    try {
      answer = await sent(action, fields);
    } catch {
      this.told.textContent = "The viewer does not answer; what you drew is still here. Try again.";
      return null;
    }
    const said = await answer.json().catch(() => ({ said: answer.status === 403 ? OVER : "That could not be kept. Try again." }));
    this.told.textContent = said.said;
    if (!answer.ok) return null;
    this.fill(said);
    return said;
  }

  fill({ svg, list, mm }) {
    const held = [this.list, this.mm].find((part) => part.contains(document.activeElement));
    const place = held ? [...held.querySelectorAll("button")].indexOf(document.activeElement) : -1;
    this.kept.innerHTML = svg;
    this.list.innerHTML = list;
    this.mm.innerHTML = mm;
    // What was pressed is written anew: the focus goes to what stands in its place, else to the picture.
    if (held) ([...held.querySelectorAll("button")].at(Math.max(0, place)) ?? [...held.querySelectorAll("button")].at(-1) ?? viewer.frame).focus();
    viewer.redrawn = true;
    viewer.draw();
    this.show();
  }

  // Lengths in mm take their time on the first look: they come after the page.
  async refresh() {
    const told = await asked(this.form.dataset.fresh);
    if (told) this.fill(told);
  }
}

// What the viewer answers; null if it cannot now, or if the visit is over: what is kept will say so.
async function asked(address) {
  const answer = await fetch(address, { headers: { Accept: "application/json" } }).catch(() => null);
  return answer?.ok ? answer.json() : null;
}

if (viewer && panel) new Drawing(panel);

// Pictures of the same place: asked for by the builder, since many pictures are compared for it.
const strip = document.getElementById("place");
const ask = strip?.querySelector("form.ask-place");
ask?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const button = ask.querySelector("button");
  const said = strip.querySelector("[data-place]");
  button.disabled = true;
  for (;;) {
    const told = await asked(ask.dataset.place);
    if (!told) {
      said.textContent = "That could not be asked now. Load the page again.";
      button.disabled = false;
      return;
    }
    const { done, words, html } = told;
    said.textContent = words;
    if (done) {
      strip.querySelector(".strip-found").innerHTML = html;
      button.disabled = false;
      return;
    }
    await new Promise((go) => setTimeout(go, 700));
  }
});
