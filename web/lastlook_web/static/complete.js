// The question box offers the plan's words while one is written: a combobox with a listbox (WAI-ARIA 1.2). What is
// offered completes the last words of the question, not the whole of it. Without this module the browser offers the
// list that the page carries along.
const box = document.getElementById("q");
const MOST = 8;

if (box?.dataset.words) begin(box);

function begin(box) {
  let known = null; // [what to write, what it means, what is compared]
  let chosen = -1;
  let found = [];
  const list = document.createElement("ul");
  list.id = "q-list";
  list.className = "offers";
  list.setAttribute("role", "listbox");
  list.setAttribute("aria-label", "Words of the plan");
  list.hidden = true;
  box.removeAttribute("list");
  for (const [name, value] of [
    ["role", "combobox"],
    ["aria-expanded", "false"],
    ["aria-controls", list.id],
    ["aria-autocomplete", "list"],
  ]) {
    box.setAttribute(name, value);
  }
  box.after(list);
  const count = document.createElement("p");
  count.className = "vh";
  count.setAttribute("role", "status");
  list.after(count);

  const folded = (text) => text.toLowerCase().replace(/[-._]/g, "");

  let learning = null;
  const learn = () => (learning ??= learned());

  async function learned() {
    let words = [...document.querySelectorAll("#q-words option")].map((each) => [each.value, each.textContent]);
    try {
      const answer = await fetch(box.dataset.words);
      if (answer.ok && !answer.redirected) words = await answer.json();
    } catch {
      // the few that the page carries along must do
    }
    known = words.map(([text, about]) => [text, about, folded(text)]);
  }

  // The longest run of last words that something known begins with or has a word that begins with it.
  function search() {
    const before = box.value.slice(0, box.selectionStart ?? box.value.length);
    const starts = [...before.matchAll(/(?:^|\s)(?=\S)/g)].map((match) => match.index + match[0].length).slice(-5);
    for (const start of starts) {
      const asked = folded(before.slice(start)).trimStart();
      if (!asked.trim() || /\s$/.test(before)) continue;
      const first = known.filter(([, , text]) => text.startsWith(asked) && text !== asked);
      const inner = known.filter(([, , text]) => text.includes(` ${asked}`) && !text.startsWith(asked));
      const all = [...first, ...inner];
      if (all.length) return all.slice(0, MOST).map(([text, about]) => ({ text, about, start }));
    }
    return [];
  }

  function show() {
    found = known && document.activeElement === box ? search() : [];
    chosen = -1;
    list.replaceChildren(
      ...found.map(({ text, about }, at) => {
        const item = document.createElement("li");
        item.id = `q-list-${at}`;
        item.setAttribute("role", "option");
        item.setAttribute("aria-selected", "false");
        const word = document.createElement("b");
        word.textContent = text;
        const note = document.createElement("span");
        note.textContent = about;
        item.append(word, " ", note);
        item.addEventListener("pointerdown", (event) => event.preventDefault()); // the focus stays in the box
        item.addEventListener("click", () => take(at));
        return item;
      }),
    );
    list.hidden = !found.length;
    box.setAttribute("aria-expanded", String(found.length > 0));
    box.removeAttribute("aria-activedescendant");
    count.textContent = found.length ? `${found.length} word${found.length === 1 ? "" : "s"} of the plan` : "";
  }

  function close() {
    found = [];
    chosen = -1;
    list.hidden = true;
    list.replaceChildren();
    box.setAttribute("aria-expanded", "false");
    box.removeAttribute("aria-activedescendant");
    count.textContent = "";
  }

  function point(at) {
    list.children[chosen]?.setAttribute("aria-selected", "false");
    chosen = at;
    const item = list.children[at];
    if (item) {
      item.setAttribute("aria-selected", "true");
      box.setAttribute("aria-activedescendant", item.id);
      item.scrollIntoView({ block: "nearest" });
    } else {
      box.removeAttribute("aria-activedescendant");
    }
  }

  function take(at) {
    const { text, start } = found[at];
    const rest = box.value.slice(box.selectionStart ?? box.value.length);
    const head = `${box.value.slice(0, start)}${text}${rest.startsWith(" ") || !rest ? "" : " "}`;
    box.value = head + rest;
    box.setSelectionRange(head.length, head.length);
    close();
  }

  const update = () => learn().then(show);
  box.addEventListener("input", update);
  box.addEventListener("focus", learn);
  box.addEventListener("blur", close);
  box.addEventListener("keydown", (event) => {
    if (event.isComposing || event.ctrlKey || event.metaKey) return;
    const open = found.length > 0;
    if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      if (!open && event.key === "ArrowDown" && box.value) update();
      if (!open) return;
      const way = event.key === "ArrowDown" ? 1 : -1;
      // Past either end lies the box itself, with nothing chosen.
      const places = found.length + 1;
      point(((chosen + 1 + way + places) % places) - 1);
    } else if (event.key === "Enter" && open && chosen >= 0) {
      take(chosen);
    } else if (event.key === "Escape" && open) {
      close();
    } else {
      return;
    }
    event.preventDefault();
  });
}
