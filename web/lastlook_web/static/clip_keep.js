// Keeping a frame without leaving the player: what is being read stands in the line until it is there.
import { OVER, sent } from "./sending.js";

const NOTE = ".keep-said";

export function keeping(form, clock) {
  const said = form.querySelector(NOTE);
  let before = Promise.resolve();

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const body = new URLSearchParams(new FormData(form));
    const at = body.get("at").trim();
    // One after the other: each divides the words anew between its neighbours.
    before = before.then(() => keep(at, body));
  });

  async function keep(at, body) {
    const started = performance.now();
    const tell = () => {
      const passed = Math.floor((performance.now() - started) / 1000);
      said.textContent = `Reading the frame at ${at}${passed ? `, ${passed} s` : ""} …`;
    };
    tell();
    said.classList.remove("gap");
    form.setAttribute("aria-busy", "true");
    const ticking = setInterval(tell, 1000);
    try {
      const answer = await sent(form.action, body);
      const told = answer.status === 403 ? { said: OVER } : await answer.json();
      said.textContent = told.said;
      said.classList.toggle("gap", !answer.ok);
      if (answer.ok) show(told);
    } catch {
      said.textContent = "The frame was not kept: the viewer did not answer. Try again.";
      said.classList.add("gap");
    } finally {
      clearInterval(ticking);
      form.removeAttribute("aria-busy");
    }
  }

  function show(told) {
    const list = document.querySelector(".stretches");
    if (!list) return location.assign(`?at=${told.at}`); // it was the first still of all
    for (const made of told.rows) {
      const holder = document.createElement("template");
      holder.innerHTML = made; // made by the server for this page
      const row = holder.content.firstElementChild;
      const same = document.getElementById(row.id);
      if (same) same.replaceWith(row);
      else {
        const later = [...list.children].find((each) => Number(each.dataset.at) > Number(row.dataset.at));
        list.insertBefore(row, later ?? null);
      }
    }
    const row = document.getElementById(`at-${told.at}`);
    row?.classList.add("fresh");
    if (told.new) {
      mark(told.x);
      const count = document.querySelector("#stills .count");
      count.textContent = String(Number(count.textContent.replace(/\D/g, "")) + 1);
    }
    said.append(" ", link(row, clock(told.at / 1000)));
  }

  function link(row, words) {
    const found = document.createElement("a");
    found.href = `#${row?.id ?? "stills"}`;
    found.textContent = `See it at ${words}`;
    return found;
  }

  function mark(x) {
    const space = "http://www.w3.org/2000/svg";
    const holder = document.createElementNS(space, "svg");
    for (const [name, value] of [["x", `${x}%`], ["y", "96"], ["width", "1"], ["height", "1"], ["overflow", "visible"]]) {
      holder.setAttribute(name, value);
    }
    const path = document.createElementNS(space, "path");
    path.setAttribute("class", "kept-mark");
    path.setAttribute("d", "M0 -8L6 0L0 8L-6 0Z");
    holder.append(path);
    document.getElementById("playhead").before(holder);
  }
}
