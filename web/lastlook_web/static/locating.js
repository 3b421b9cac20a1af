// Find on exterior, drawing, ties: what pointing does on each, and the see-through slider.
import { Pointing, announcer } from "./pointing.js";

for (const hint of document.querySelectorAll(".script")) hint.hidden = false;
const cross = document.getElementById("cross");
const say = cross ? announcer(cross) : () => {};
const placed = (full) => `The cross is at ${full.split(",").map((v) => Math.round(Number(v))).join(", ")}.`;

// Find on exterior: point here, see through.
const over = document.getElementById("over");
if (over) {
  const part = () => document.getElementById("under-it");
  const pointing = new Pointing(over, {
    moved: (full) => say(placed(full)),
    set: (full) => {
      const form = document.getElementById("point");
      [form.elements.x.value, form.elements.y.value] = full.split(",");
      form.requestSubmit();
    },
  });
  // What is under the place comes into this page; its address is that of the page the form leads to.
  const show = async (address) => {
    say("Looking what is under it …");
    let page;
    try {
      const answer = await fetch(address);
      page = new DOMParser().parseFromString(await answer.text(), "text/html");
    } catch {
      page = null;
    }
    const fresh = page?.getElementById("under-it");
    if (!fresh) {
      location.assign(address);
      return;
    }
    part().replaceWith(document.adoptNode(fresh));
    over.querySelector(".here").replaceWith(document.adoptNode(page.querySelector("#over .here")));
    pointing.drop();
    for (const hint of part().querySelectorAll(".script")) hint.hidden = false;
    const wrong = part().querySelector("[role=alert]");
    const rows = [...part().querySelectorAll("tbody tr")].slice(0, 3);
    const cells = (row) => [row.querySelector("th .id"), ...row.querySelectorAll("td")].slice(0, 3).map((cell) => cell?.textContent.trim());
    say(wrong ? wrong.textContent : rows.map((row) => cells(row)).map(([name, line, band]) => `${name}: ${line} from its line, ${band === "inside the band" ? band : `${band} its band`}.`).join(" "));
  };
  document.addEventListener("submit", (event) => {
    if (event.target.id !== "point") return;
    event.preventDefault();
    const address = new URL(event.target.action);
    address.search = new URLSearchParams(new FormData(event.target));
    history.pushState(null, "", address);
    show(address);
  });
  addEventListener("popstate", () => {
    if (location.hash === "#depth") return;
    show(location.href);
  });
  const through = document.getElementById("through");
  const slider = document.getElementById("see");
  slider.closest(".see").hidden = false;
  const see = () => {
    if (slider.value !== "0" && !through.getAttribute("href")) through.setAttribute("href", through.dataset.href);
    through.setAttribute("opacity", slider.value / 100);
    slider.setAttribute("aria-valuetext", `${slider.value} % of the inside picture`);
  };
  slider.addEventListener("input", see);
  see(); // a browser that comes back keeps where it stood
}

// Drawing: points gather in the field.
const draw = document.getElementById("draw");
if (draw) {
  const field = document.getElementById("points");
  const ends = document.getElementById("ends");
  const words = () => field.value.trim().split(/\s+/).filter(Boolean);
  let pointing = null;
  const show = (fill = true, live = false) => {
    const points = words().map((word) => word.split(",").map((v) => Number(v) * pointing.scale));
    const places = points.filter(([x, y]) => Number.isFinite(x) && Number.isFinite(y)).map(([x, y]) => ({ x, y }));
    pointing.show(live && pointing.at ? [...places, pointing.at] : places);
    if (fill) ends.value = words().slice(-2).join(" ");
  };
  const back = () => {
    field.value = words().slice(0, -1).join(" ");
    show();
    say(`${words().length} points.`);
  };
  pointing = new Pointing(draw, {
    moved: (full) => {
      show(false, true);
      say(placed(full));
    },
    set: (full) => {
      field.value = [...words(), full].join(" ");
      show();
      say(`Point ${words().length} is set.`);
    },
    dropped: () => show(false),
    back,
  });
  field.addEventListener("input", () => show());
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Backspace" || event.defaultPrevented || event.target.closest("input, textarea, select")) return;
    event.preventDefault();
    back();
  });
  show(!ends.value);
}

// Ties: a place in each picture, and how it would fit before it is kept.
const tie = document.getElementById("tie");
const sides = { p: document.getElementById("side-a"), q: document.getElementById("side-b") };
if (tie && sides.p && sides.q) {
  const said = document.getElementById("fit");
  let asked = 0;
  let soon = 0;
  const ask = async () => {
    const { p, q } = { p: tie.elements.p.value, q: tie.elements.q.value };
    if (!p || !q) return;
    const mine = ++asked;
    let answer = null;
    try {
      const n = tie.elements.instead.value ? `&n=${tie.elements.n.value}` : "";
      answer = await fetch(`${tie.dataset.fit}&p=${encodeURIComponent(p)}&q=${encodeURIComponent(q)}${n}`);
    } catch {
      // told below
    }
    if (mine !== asked) return;
    if (!answer?.ok) {
      said.textContent = "It cannot be told how this pair fits.";
      return;
    }
    const { residuals, mine: away, said: lines } = await answer.json();
    if (mine !== asked) return;
    const words = (off) => (off === null ? "not used" : `${off.toFixed(1)} px`);
    said.replaceChildren(
      ...[`This pair: ${away === null ? "not used" : `off by ${words(away)}`}.`, ...lines].map((line) => {
        const paragraph = document.createElement("p");
        paragraph.textContent = line;
        return paragraph;
      }),
    );
    for (const cell of document.querySelectorAll(".off")) cell.textContent = words(residuals[Number(cell.dataset.tie)]);
  };
  // While a key is held the fit is asked for once, when the cross has come to rest.
  const later = () => {
    clearTimeout(soon);
    soon = setTimeout(ask, 250);
  };
  const next = { p: () => sides.q.closest(".pointing"), q: () => tie.querySelector("button") };
  for (const name of ["p", "q"]) {
    const input = tie.elements[name];
    const pointing = new Pointing(sides[name], {
      moved: (full) => {
        input.value = full;
        later();
      },
      set: (full) => {
        input.value = full;
        ask();
        next[name]().focus({ preventScroll: name === "p" });
      },
      dropped: () => {
        input.value = "";
      },
    });
    input.addEventListener("change", () => {
      pointing.typed(input.value);
      ask();
    });
    pointing.typed(input.value);
  }
  if (tie.elements.instead.value) ask();
}
