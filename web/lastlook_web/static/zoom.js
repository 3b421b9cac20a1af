// Looking closely at a picture: the page-size preview first, the original's own pixels as tiles where one looks.
// The view is a middle (x, y: shares of width and height) and a zoom (1: the whole picture in its frame).
const TILE = 512;
const SAME_SHARE = 1e-4; // a zoom that differs by less is the same
const MOST_TILES = matchMedia("(max-width: 44rem)").matches ? 40 : 90;
const AT_ONCE = 4;
const ASK_AGAIN_MS = 300;
const ASK_TIMES = 200;
const CLOSEST = 8; // device pixels for one pixel of the picture

const clamp = (value, low, high) => Math.min(high, Math.max(low, value));

export class Viewer {
  // `frame` holds the preview (img) and, if there is one, the drawing over it (svg.drawn). `address`: the view stands in
  // the page's address.
  constructor(frame, { address = false, keys = true } = {}) {
    this.frame = frame;
    this.image = frame.querySelector("img");
    this.drawing = frame.querySelector("svg.drawn");
    this.address = address;
    this.listeners = [];
    this.tiles = new Map();
    this.failed = false;
    this.flying = new Set();
    this.tool = null; // set by drawing: {tap(place), move(dx, dy, fine), keys(event)}
    this.view = { x: 0.5, y: 0.5, zoom: 1 };
    this.canvas = document.createElement("canvas");
    this.canvas.setAttribute("aria-hidden", "true");
    this.image.after(this.canvas);
    frame.classList.add("live");
    this.source(frame.dataset);
    this.listen(keys);
    new ResizeObserver(() => this.draw()).observe(frame);
    if (!this.image.complete) this.image.addEventListener("load", () => this.draw());
    if (address) {
      this.fromAddress();
      addEventListener("hashchange", () => this.fromAddress());
    }
    this.draw();
  }

  // What is shown: size in full, the address of tiles and how many levels there are.
  source({ width, height, tiles = "", levels = 0 }) {
    this.width = Number(width);
    this.height = Number(height);
    this.tileBase = tiles;
    this.levels = Number(levels);
    this.tiles.clear();
    this.queue = [];
    this.failed = false;
  }

  onView(listener) {
    this.listeners.push(listener);
  }

  // ---------------------------------------------------------------------------------------------- geometry

  box() {
    return { w: this.frame.clientWidth || 1, h: this.frame.clientHeight || 1 };
  }

  fit() {
    const { w, h } = this.box();
    return Math.min(w / this.width, h / this.height);
  }

  scale() {
    return this.fit() * this.view.zoom;
  }

  most() {
    return Math.max(1, CLOSEST / (devicePixelRatio || 1) / this.fit());
  }

  // Where the picture's top left corner is in the frame, and how many CSS pixels one of its pixels takes.
  placed() {
    const { w, h } = this.box();
    const s = this.scale();
    return { left: w / 2 - this.view.x * this.width * s, top: h / 2 - this.view.y * this.height * s, s, w, h };
  }

  // The place of the picture (shares) under a point of the window.
  place(clientX, clientY) {
    const frame = this.frame.getBoundingClientRect();
    const { left, top, s } = this.placed();
    return {
      x: (clientX - frame.left - this.frame.clientLeft - left) / (this.width * s),
      y: (clientY - frame.top - this.frame.clientTop - top) / (this.height * s),
    };
  }

  // ---------------------------------------------------------------------------------------------- moving

  set({ x = this.view.x, y = this.view.y, zoom = this.view.zoom }, quiet = false) {
    zoom = clamp(zoom, 1, this.most());
    const { w, h } = this.box();
    const s = this.fit() * zoom;
    const half = (window_, length) => (length * s <= window_ ? null : window_ / 2 / (length * s));
    const inside = (value, room) => (room === null ? 0.5 : clamp(value, room, 1 - room));
    this.view = { x: inside(x, half(w, this.width)), y: inside(y, half(h, this.height)), zoom };
    this.frame.classList.toggle("near", zoom > 1.001);
    this.draw();
    if (quiet) return;
    for (const listener of this.listeners) listener(this.view);
    if (this.address) this.toAddress();
  }

  // Zoom so that the place under (clientX, clientY) stays where it is; without one, the middle does.
  zoomBy(factor, clientX, clientY) {
    const zoom = clamp(this.view.zoom * factor, 1, this.most());
    if (clientX === undefined) return this.set({ zoom });
    const at = this.place(clientX, clientY);
    const share = this.view.zoom / zoom;
    return this.set({ x: at.x + (this.view.x - at.x) * share, y: at.y + (this.view.y - at.y) * share, zoom });
  }

  panBy(dx, dy) {
    const s = this.scale();
    this.set({ x: this.view.x - dx / (this.width * s), y: this.view.y - dy / (this.height * s) });
  }

  whole() {
    this.set({ x: 0.5, y: 0.5, zoom: 1 });
  }

  // One pixel of the picture for one of the screen.
  pixels() {
    this.set({ zoom: Math.max(1, 1 / (devicePixelRatio || 1) / this.fit()) });
  }

  show({ x, y }, zoom = this.view.zoom) {
    this.set({ x, y, zoom });
  }

  // ---------------------------------------------------------------------------------------------- the address

  toAddress() {
    clearTimeout(this.later);
    this.later = setTimeout(() => {
      const { x, y, zoom } = this.view;
      const ours = /^#[\d.]+,[\d.]+,[\d.]+$/.test(location.hash);
      if (zoom <= 1.001 && !ours) return;
      const end = zoom > 1.001 ? `#${x.toFixed(4)},${y.toFixed(4)},${zoom.toFixed(2)}` : "";
      history.replaceState(history.state, "", location.pathname + location.search + end);
    }, 200);
  }

  fromAddress() {
    const said = /^#([\d.]+),([\d.]+),([\d.]+)$/.exec(location.hash);
    if (!said) return;
    const [x, y, zoom] = said.slice(1).map(Number);
    if ([x, y, zoom].every(Number.isFinite)) this.set({ x: clamp(x, 0, 1), y: clamp(y, 0, 1), zoom }, true);
  }

  // ---------------------------------------------------------------------------------------------- drawing

  draw() {
    if (this.drawn) return;
    this.drawn = requestAnimationFrame(() => {
      this.drawn = 0;
      this.paint();
    });
  }

  paint() {
    const { left, top, s, w, h } = this.placed();
    const dots = devicePixelRatio || 1;
    this.over(left, top, s, w, h);
    const need = s * dots;
    const shown = this.image.naturalWidth / this.width;
    const near = this.view.zoom > 1.001;
    // The preview comes first; it alone says how much more there is to see.
    this.enough = !shown || !this.levels || this.failed || need <= shown * (near ? 1.05 : 1.3);
    if (!near && this.enough) {
      this.canvas.hidden = true; // the preview itself is what is seen
      this.rest();
      return;
    }
    this.canvas.hidden = false;
    if (this.canvas.width !== Math.round(w * dots) || this.canvas.height !== Math.round(h * dots)) {
      this.canvas.width = Math.round(w * dots);
      this.canvas.height = Math.round(h * dots);
    }
    const pen = this.canvas.getContext("2d");
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.clearRect(0, 0, this.canvas.width, this.canvas.height);
    pen.imageSmoothingEnabled = need < 3; // beyond that the picture's own pixels are to be seen as they are
    pen.imageSmoothingQuality = "high";
    const at = (x, y) => [(left + x * s) * dots, (top + y * s) * dots];
    if (this.image.complete && this.image.naturalWidth) {
      const [x, y] = at(0, 0);
      pen.drawImage(this.image, x, y, this.width * s * dots, this.height * s * dots);
    }
    if (this.enough) {
      this.rest();
      return;
    }
    const level = clamp(Math.floor(Math.log2(1 / need) + 0.15), 0, this.levels - 1);
    for (let coarse = this.levels - 1; coarse >= level; coarse -= 1) {
      for (const { key, x, y } of this.visible(coarse, left, top, s, w, h)) {
        const tile = this.tiles.get(key);
        if (!tile) continue;
        this.tiles.delete(key); // the one used last is thrown away last
        this.tiles.set(key, tile);
        const step = TILE * 2 ** coarse;
        const [x0, y0] = at(x * step, y * step);
        const [x1, y1] = at(Math.min(this.width, (x + 1) * step), Math.min(this.height, (y + 1) * step));
        const [a, b] = [Math.round(x0), Math.round(y0)];
        pen.drawImage(tile, a, b, Math.round(x1) - a, Math.round(y1) - b);
      }
    }
    const middle = { x: (w / 2 - left) / s / (TILE * 2 ** level), y: (h / 2 - top) / s / (TILE * 2 ** level) };
    this.queue = this.visible(level, left, top, s, w, h)
      .filter(({ key }) => !this.tiles.has(key) && !this.flying.has(key))
      .sort((a, b) => Math.hypot(a.x + 0.5 - middle.x, a.y + 0.5 - middle.y) - Math.hypot(b.x + 0.5 - middle.x, b.y + 0.5 - middle.y));
    this.fetchMore();
  }

  rest() {
    this.queue = [];
    this.frame.classList.remove("coming");
  }

  // The drawing over the picture shows the same part; what must stay readable keeps its size on the screen.
  over(left, top, s, w, h) {
    const svg = this.drawing;
    if (!svg) return;
    svg.setAttribute("viewBox", `${-left / s} ${-top / s} ${w / s} ${h / s}`);
    const unit = 1 / s;
    if (Math.abs((this.unit ?? 0) - unit) < SAME_SHARE * unit && !this.redrawn) return;
    this.unit = unit;
    this.redrawn = false;
    for (const text of svg.querySelectorAll("text")) text.setAttribute("font-size", 14 * unit);
    for (const ring of svg.querySelectorAll("[data-r]")) ring.setAttribute("r", Number(ring.dataset.r) * unit);
  }

  visible(level, left, top, s, w, h) {
    const step = TILE * 2 ** level * s;
    const last = (length) => Math.ceil(length / (TILE * 2 ** level)) - 1;
    const found = [];
    for (let y = clamp(Math.floor(-top / step), 0, last(this.height)); y <= clamp(Math.floor((h - top) / step), 0, last(this.height)); y += 1) {
      for (let x = clamp(Math.floor(-left / step), 0, last(this.width)); x <= clamp(Math.floor((w - left) / step), 0, last(this.width)); x += 1) {
        found.push({ key: `${level}-${x}-${y}`, x, y });
      }
    }
    return found;
  }

  // ---------------------------------------------------------------------------------------------- tiles

  fetchMore() {
    while (this.flying.size < AT_ONCE && this.queue.length) {
      const { key } = this.queue.shift();
      this.flying.add(key);
      this.fetchTile(key).finally(() => {
        this.flying.delete(key);
        this.draw();
      });
    }
    this.frame.classList.toggle("coming", this.flying.size > 0 && !this.enough);
  }

  async fetchTile(key) {
    const base = this.tileBase;
    for (let time = 0; time < ASK_TIMES && this.tileBase === base && this.needs(key); time += 1) {
      let answer;
      try {
        answer = await fetch(`${base}${key}.jpg`);
      } catch {
        return; // no network now: asked again with the next movement
      }
      if (answer.status === 202) {
        await new Promise((go) => setTimeout(go, ASK_AGAIN_MS));
        continue;
      }
      if (!answer.ok) {
        this.failed = true;
        this.frame.dispatchEvent(new CustomEvent("notiles", { bubbles: true }));
        return;
      }
      const tile = await createImageBitmap(await answer.blob());
      if (this.tileBase !== base) return;
      this.tiles.set(key, tile);
      while (this.tiles.size > MOST_TILES) {
        const [oldest, old] = this.tiles.entries().next().value;
        old.close();
        this.tiles.delete(oldest);
      }
      return;
    }
  }

  // Whether a tile is still in sight.
  needs(key) {
    if (this.enough) return false;
    const { left, top, s, w, h } = this.placed();
    const level = Number(key.split("-")[0]);
    const wanted = clamp(Math.floor(Math.log2(1 / (s * (devicePixelRatio || 1))) + 0.15), 0, this.levels - 1);
    return level === wanted && this.visible(level, left, top, s, w, h).some((each) => each.key === key);
  }

  // ---------------------------------------------------------------------------------------------- hands

  listen(keys) {
    const { frame } = this;
    const fingers = new Map();
    let armed = false; // a wheel that was scrolling the page goes on doing so when the picture comes under it
    let tapped = null;
    let moved = 0;
    addEventListener("scroll", () => (armed = false), { passive: true });
    frame.addEventListener("dragstart", (event) => event.preventDefault());
    frame.addEventListener(
      "wheel",
      (event) => {
        const out = event.deltaY > 0;
        const free = this.view.zoom <= 1.001;
        if (!event.ctrlKey && free && (out || !armed)) return;
        event.preventDefault();
        const lines = event.deltaMode === 1 ? 30 : 1;
        this.zoomBy(Math.exp(-clamp(event.deltaY * lines, -150, 150) / 350), event.clientX, event.clientY);
      },
      { passive: false },
    );
    frame.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      frame.focus({ preventScroll: true });
      fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
      if (fingers.size === 1) moved = 0;
      frame.setPointerCapture(event.pointerId);
    });
    frame.addEventListener("pointermove", (event) => {
      armed = true;
      const was = fingers.get(event.pointerId);
      if (!was) return;
      const now = { x: event.clientX, y: event.clientY };
      if (fingers.size === 2) {
        const [other] = [...fingers].filter(([id]) => id !== event.pointerId).map(([, each]) => each);
        const span = (one) => Math.max(12, Math.hypot(one.x - other.x, one.y - other.y));
        moved = 99;
        this.panBy((now.x - was.x) / 2, (now.y - was.y) / 2);
        this.zoomBy(span(now) / span(was), (now.x + other.x) / 2, (now.y + other.y) / 2);
      } else {
        moved += Math.hypot(now.x - was.x, now.y - was.y);
        if (moved > 4) this.panBy(now.x - was.x, now.y - was.y);
      }
      fingers.set(event.pointerId, now);
    });
    const up = (event) => {
      if (!fingers.delete(event.pointerId) || event.type === "pointercancel" || moved > 4) return;
      const at = this.place(event.clientX, event.clientY);
      if (this.tool) {
        this.tool.tap({ x: clamp(at.x, 0, 1), y: clamp(at.y, 0, 1) });
        return;
      }
      if (tapped && event.timeStamp - tapped.time < 320 && Math.hypot(event.clientX - tapped.x, event.clientY - tapped.y) < 24) {
        tapped = null;
        if (this.view.zoom > 3.9) this.whole();
        else this.zoomBy(4 / this.view.zoom, event.clientX, event.clientY);
        return;
      }
      tapped = { time: event.timeStamp, x: event.clientX, y: event.clientY };
    };
    frame.addEventListener("pointerup", up);
    frame.addEventListener("pointercancel", up);
    if (keys) frame.addEventListener("keydown", (event) => this.key(event));
  }

  key(event) {
    if (event.target !== this.frame || event.altKey || event.metaKey) return;
    if (this.tool?.key(event)) {
      event.preventDefault();
      event.stopPropagation();
      return;
    }
    if (event.ctrlKey) return;
    const step = 80;
    const near = this.view.zoom > 1.001;
    const acts = {
      "+": () => this.zoomBy(1.5),
      "=": () => this.zoomBy(1.5),
      "-": () => this.zoomBy(1 / 1.5),
      "−": () => this.zoomBy(1 / 1.5),
      0: () => this.whole(),
      1: () => this.pixels(),
      ...(near && {
        ArrowLeft: () => this.panBy(step, 0),
        ArrowRight: () => this.panBy(-step, 0),
        ArrowUp: () => this.panBy(0, step),
        ArrowDown: () => this.panBy(0, -step),
      }),
    };
    const act = acts[event.key];
    if (!act) return;
    event.preventDefault();
    event.stopPropagation();
    act();
  }
}

// Buttons of a bar: data-zoom says what each does to the viewers.
export function bar(element, viewers, extra = {}) {
  const step = 120;
  const acts = {
    in: (viewer) => viewer.zoomBy(1.5),
    out: (viewer) => viewer.zoomBy(1 / 1.5),
    whole: (viewer) => viewer.whole(),
    pixels: (viewer) => viewer.pixels(),
    left: (viewer) => viewer.panBy(step, 0),
    right: (viewer) => viewer.panBy(-step, 0),
    up: (viewer) => viewer.panBy(0, step),
    down: (viewer) => viewer.panBy(0, -step),
  };
  element.addEventListener("click", (event) => {
    const button = event.target.closest("[data-zoom]");
    if (!button) return;
    if (extra[button.dataset.zoom]) extra[button.dataset.zoom](button);
    else acts[button.dataset.zoom](viewers()[0]);
  });
  const said = element.querySelector("[data-said]");
  const show = () => {
    const viewer = viewers()[0];
    const near = viewer.view.zoom > 1.001;
    for (const button of element.querySelectorAll("[data-pan]")) button.disabled = !near;
    if (said) said.textContent = near ? `${(viewer.scale() * (devicePixelRatio || 1) * 100).toFixed(0)} % of its pixels` : "whole picture";
  };
  for (const viewer of viewers()) viewer.onView(show);
  show();
}

// The stage over the whole window and back; everything else rests meanwhile.
export function wholeWindow(stage, viewers) {
  const resting = [];
  const leave = () => {
    stage.classList.remove("stage-whole");
    for (const each of resting.splice(0)) each.inert = false;
    document.body.classList.remove("held");
    for (const viewer of viewers()) viewer.set({});
  };
  const enter = () => {
    for (let each = stage; each !== document.body; each = each.parentElement) {
      for (const other of each.parentElement.children) {
        if (other !== each && !other.inert) {
          other.inert = true;
          resting.push(other);
        }
      }
    }
    stage.classList.add("stage-whole");
    document.body.classList.add("held");
    for (const viewer of viewers()) viewer.set({});
  };
  stage.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && stage.classList.contains("stage-whole") && !event.defaultPrevented) {
      event.preventDefault();
      leave();
      button?.setAttribute("aria-pressed", "false");
    }
  });
  let button;
  return (pressed) => {
    button = pressed;
    if (stage.classList.contains("stage-whole")) leave();
    else enter();
    pressed.setAttribute("aria-pressed", String(stage.classList.contains("stage-whole")));
  };
}

const frame = document.getElementById("zoom");
export const viewer = frame ? new Viewer(frame, { address: true }) : null;
if (viewer) {
  const stage = frame.closest(".stage");
  bar(stage.querySelector(".zoom-bar"), () => [viewer], { window: wholeWindow(stage, () => [viewer]) });
  frame.addEventListener("notiles", () => {
    stage.querySelector("[data-told]").textContent = "The original's own pixels cannot be had; this is the preview, enlarged.";
  });
}
