// Pointing at pictures: a place fills in fields that could be typed as well, and the see-through slider.
const SVG = "http://www.w3.org/2000/svg";

for (const hint of document.querySelectorAll(".script")) hint.hidden = false;

// Where a click falls, in the drawing's own units and in pixels of the full picture.
const place = (svg, event) => {
  const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
  const scale = Number(svg.dataset.scale);
  return { x: at.x, y: at.y, full: `${(at.x / scale).toFixed(1)},${(at.y / scale).toFixed(1)}` };
};

const cross = (group, { x, y }) => {
  for (const [stroke, width] of [["#10181c", 7], ["#ffe066", 3]]) {
    const path = document.createElementNS(SVG, "path");
    path.setAttribute("d", `M${x - 13} ${y}H${x + 13}M${x} ${y - 13}V${y + 13}`);
    path.setAttribute("stroke", stroke);
    path.setAttribute("stroke-width", width);
    path.setAttribute("fill", "none");
    group.append(path);
  }
};

// Find on exterior: point here, see through.
const over = document.getElementById("over");
if (over) {
  const form = document.getElementById("point");
  over.classList.add("points");
  over.addEventListener("click", (event) => {
    const [x, y] = place(over, event).full.split(",");
    form.elements.x.value = x;
    form.elements.y.value = y;
    form.requestSubmit();
  });
  const through = document.getElementById("through");
  const slider = document.getElementById("see");
  slider.closest(".see").hidden = false;
  slider.addEventListener("input", () => {
    if (!through.getAttribute("href")) through.setAttribute("href", through.dataset.href);
    through.setAttribute("opacity", slider.value / 100);
  });
}

// Drawing: points gather in the field.
const draw = document.getElementById("draw");
if (draw) {
  const field = document.getElementById("points");
  const ends = document.getElementById("ends");
  const pending = document.getElementById("pending");
  draw.classList.add("points");
  const show = () => {
    const scale = Number(draw.dataset.scale);
    const points = field.value.trim().split(/\s+/).filter(Boolean).map((word) => word.split(",").map((v) => Number(v) * scale));
    pending.replaceChildren();
    for (const [x, y] of points) if (Number.isFinite(x) && Number.isFinite(y)) cross(pending, { x, y });
    ends.value = field.value.trim().split(/\s+/).slice(-2).join(" ");
  };
  draw.addEventListener("click", (event) => {
    field.value = `${field.value.trim()} ${place(draw, event).full}`.trim();
    show();
  });
  field.addEventListener("input", show);
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Backspace" || event.target.closest("input, textarea, select")) return;
    event.preventDefault();
    field.value = field.value.trim().split(/\s+/).slice(0, -1).join(" ");
    show();
  });
}

// Ties: a place in each picture, and how it would fit before it is kept.
const tie = document.getElementById("tie");
if (tie) {
  const said = document.getElementById("fit");
  let asked = 0;
  const ask = async () => {
    const { p, q } = { p: tie.elements.p.value, q: tie.elements.q.value };
    if (!p || !q) return;
    const mine = ++asked;
    said.textContent = "Looking how it fits …";
    const answer = await fetch(`${tie.dataset.fit}&p=${encodeURIComponent(p)}&q=${encodeURIComponent(q)}`);
    if (mine !== asked) return;
    if (!answer.ok) {
      said.textContent = "It cannot be told how this pair fits.";
      return;
    }
    const { residuals, said: lines } = await answer.json();
    const last = residuals.at(-1);
    const words = (away) => (away === null ? "not used" : `${away.toFixed(1)} px`);
    said.replaceChildren(
      ...[`This pair: ${last === null ? "not used" : `off by ${words(last)}`}.`, ...lines].map((line) => {
        const paragraph = document.createElement("p");
        paragraph.textContent = line;
        return paragraph;
      }),
    );
    for (const cell of document.querySelectorAll(".off")) cell.textContent = words(residuals[Number(cell.dataset.tie)]);
  };
  for (const [name, side] of [["p", "side-a"], ["q", "side-b"]]) {
    const svg = document.getElementById(side);
    svg.classList.add("points");
    svg.addEventListener("click", (event) => {
      const at = place(svg, event);
      tie.elements[name].value = at.full;
      const group = svg.querySelector(".pending");
      group.replaceChildren();
      cross(group, at);
      ask();
    });
    tie.elements[name].addEventListener("change", ask);
  }
}
