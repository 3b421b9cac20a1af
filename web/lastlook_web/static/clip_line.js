// The line under the player: where it is, the stretch that is chosen, and going there by pointing.
const seconds = (text) => {
  const parts = text.trim().replace(",", ".").split(":").map(Number);
  if (!parts.length || parts.some((part) => !Number.isFinite(part))) return null;
  return parts.reduce((sum, part) => sum * 60 + part, 0);
};

export function line(length, go) {
  const svg = document.getElementById("clip-line");
  const head = document.getElementById("playhead");
  const range = document.getElementById("range");
  const from = document.getElementById("s-from");
  const to = document.getElementById("s-to");
  const place = (at) => (length > 0 ? Math.min(100, Math.max(0, (at * 100) / length)) : 0);

  // Without a plan there is nothing to tag a stretch with, and no fields for one.
  const drawRange = () => {
    if (!from || !to) return;
    const first = seconds(from.value);
    const last = seconds(to.value);
    const whole = first === 0 && last !== null && last >= length - 0.05;
    const good = first !== null && last !== null && last > first && !whole;
    range.setAttribute("x", `${good ? place(first) : 0}%`);
    range.setAttribute("width", good ? `${place(last) - place(first)}%` : "0");
  };
  for (const field of [from, to]) field?.addEventListener("input", drawRange);
  drawRange();

  const there = (event) => {
    const box = svg.getBoundingClientRect();
    go(((event.clientX - box.left) / box.width) * length);
  };
  svg.classList.add("live");
  svg.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || event.target.closest("a")) return;
    if (event.pointerType === "mouse") svg.setPointerCapture(event.pointerId);
    there(event);
  });
  svg.addEventListener("pointermove", (event) => {
    if (svg.hasPointerCapture(event.pointerId)) there(event);
  });

  return {
    at(now) {
      for (const end of ["x1", "x2"]) head.setAttribute(end, `${place(now)}%`);
    },
    range: drawRange,
  };
}
