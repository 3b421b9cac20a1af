// A cross on a drawn picture, moved by hand or by the arrow keys: places fill in fields that could be typed as well.
const SVG = "http://www.w3.org/2000/svg";
const STEP = 12; // CSS pixels an arrow key moves by; with Shift one

const clamp = (value, most) => Math.min(most, Math.max(0, value));

export class Pointing {
  // `svg` stands in a frame (.pointing). `set`, `moved` and `dropped` are told the place in full pixels of the picture.
  constructor(svg, { set, moved = () => {}, dropped = () => {}, back = null }) {
    this.svg = svg;
    this.frame = svg.closest(".pointing");
    this.told = { set, moved, dropped, back };
    this.pending = svg.querySelector(".pending");
    this.scale = Number(svg.dataset.scale);
    [this.width, this.height] = [svg.viewBox.baseVal.width, svg.viewBox.baseVal.height];
    this.at = null;
    svg.classList.add("points");
    this.frame.tabIndex = 0;
    this.frame.setAttribute("role", "group");
    this.frame.setAttribute("aria-label", this.frame.dataset.pointing);
    svg.addEventListener("click", (event) => {
      const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
      this.put(at);
      this.told.set(this.full());
    });
    this.frame.addEventListener("keydown", (event) => this.key(event));
  }

  // The place in full pixels as a field holds it.
  full() {
    return `${(this.at.x / this.scale).toFixed(1)},${(this.at.y / this.scale).toFixed(1)}`;
  }

  // Show the cross at a place of the drawing, or at one typed in full pixels.
  put({ x, y }) {
    this.at = { x: clamp(x, this.width), y: clamp(y, this.height) };
    this.show([this.at]);
  }

  typed(text) {
    const [x, y] = text.split(",").map(Number);
    if (text.trim() && Number.isFinite(x) && Number.isFinite(y)) this.put({ x: x * this.scale, y: y * this.scale });
    else this.drop();
  }

  drop() {
    this.at = null;
    this.show([]);
  }

  show(places) {
    this.pending.replaceChildren();
    for (const place of places) this.cross(place);
  }

  cross({ x, y }) {
    for (const [stroke, width] of [["#10181c", 7], ["#ffe066", 3]]) {
      const path = document.createElementNS(SVG, "path");
      path.setAttribute("d", `M${x - 13} ${y}H${x + 13}M${x} ${y - 13}V${y + 13}`);
      path.setAttribute("stroke", stroke);
      path.setAttribute("stroke-width", width);
      path.setAttribute("fill", "none");
      this.pending.append(path);
    }
  }

  key(event) {
    if (event.ctrlKey || event.altKey || event.metaKey || event.target !== this.frame) return;
    const step = (event.shiftKey ? 1 : STEP) * (this.width / (this.svg.clientWidth || this.width));
    const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    if (moves[event.key]) {
      const [dx, dy] = moves[event.key];
      const from = this.at ?? { x: this.width / 2, y: this.height / 2 };
      this.put(this.at ? { x: from.x + dx, y: from.y + dy } : from); // the first key only shows it, in the middle
      this.told.moved(this.full());
    } else if (event.key === "Enter" && this.at) {
      this.told.set(this.full());
    } else if (event.key === "Escape" && this.at) {
      this.drop();
      this.told.dropped();
    } else if (event.key === "Backspace" && this.told.back) {
      this.told.back();
    } else return;
    event.preventDefault();
    event.stopPropagation();
  }
}

// Words for those who do not see the cross, a moment after it has come to rest.
export function announcer(region) {
  let soon = 0;
  return (words) => {
    clearTimeout(soon);
    soon = setTimeout(() => {
      region.textContent = words;
    }, 300);
  };
}
