// The build's drawing, moved and zoomed in place. Every view is an address of its own that the server draws whole;
// here only the parts that differ are exchanged. Without this module the same addresses are plain links.
const drawing = document.getElementById("drawing");
const SHORTEST = 3_600_000; // ms; as the server's
const BINS = 160;
const REST = 350; // ms without a further gesture until the address counts as a step back in the history

if (drawing) begin();
countDown();

function begin() {
  const said = document.getElementById("drawing-said");
  const rows = [...drawing.querySelectorAll(".strip-box[data-sub]")];
  const dates = drawing.querySelector('[data-part="dates"]');
  const longest = Number(drawing.dataset.longest) * 86_400_000;
  let view = { start: Date.parse(drawing.dataset.start), end: Date.parse(drawing.dataset.end) };
  let busy = false;
  let next = null;
  let resting = 0;

  // ------------------------------------------------------------------------------------------ addresses

  const written = (ms) => new Date(Math.round(ms / 1000) * 1000).toISOString().replace(/\.\d+|[-:]/g, "");

  function addressOf(window) {
    const query = new URLSearchParams({ since: written(window.start), until: written(window.end) });
    return `${location.pathname}?${query}`;
  }

  function kept(window) {
    let { start, end } = window;
    const length = Math.min(Math.max(end - start, SHORTEST), longest);
    if (length !== end - start) {
      start = (start + end) / 2 - length / 2;
      end = start + length;
    }
    return { start, end };
  }

  // ------------------------------------------------------------------------------------------ loading

  async function load(address, { after = null } = {}) {
    if (busy) {
      next = [address, { after }];
      return;
    }
    busy = true;
    try {
      const answer = await fetch(`${drawing.dataset.address}${new URL(address, location.href).search}`);
      if (!answer.ok || answer.redirected) throw new Error(String(answer.status));
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      if (!next) exchange(page);
      else if (page.querySelector("[data-part]")) exchange(page);
      after?.();
    } catch {
      location.assign(address); // whatever it was, the page itself can say it
      return;
    } finally {
      busy = false;
    }
    if (next) {
      const [later, options] = next;
      next = null;
      load(later, options);
    }
  }

  function exchange(page) {
    for (const part of page.querySelectorAll("[data-part]")) {
      const here = document.querySelector(`[data-part="${CSS.escape(part.dataset.part)}"]`);
      if (!here) continue;
      if (part.dataset.part === "frame") {
        view = { start: Date.parse(part.dataset.start), end: Date.parse(part.dataset.end) };
        continue;
      }
      if ("counts" in part.dataset) here.dataset.counts = part.dataset.counts;
      const move = here.contains(document.activeElement) ? document.activeElement.dataset.move : undefined;
      here.replaceChildren(...part.childNodes);
      if (move !== undefined) (here.querySelector(`[data-move="${move}"]`) ?? here.querySelector("a"))?.focus();
    }
    for (const row of rows) if (row.dataset.at) keep(row);
  }

  function go(address, options) {
    clearTimeout(resting);
    history.pushState(null, "", address);
    return load(address, options);
  }

  // A gesture goes through many windows; the history keeps the one it ends in.
  let before = null;
  function pass(window) {
    view = kept(window);
    const address = addressOf(view);
    before ??= location.href;
    clearTimeout(resting);
    resting = setTimeout(() => {
      history.replaceState(null, "", before);
      history.pushState(null, "", addressOf(view));
      before = null;
      say();
    }, REST);
    history.replaceState(null, "", address);
    load(address);
  }

  function say(words = document.querySelector(".moving .reach")?.textContent ?? "") {
    said.textContent = words;
  }

  addEventListener("popstate", () => load(location.href, { after: say }));

  document.addEventListener("click", (event) => {
    if (event.defaultPrevented || event.button || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return;
    const link = event.target instanceof Element ? event.target.closest(".moving a, .in-view[href], .unfolded-acts a") : null;
    if (!link || !link.href.startsWith(location.origin)) return;
    event.preventDefault();
    const row = link.closest(".row");
    const box = row?.querySelector(".strip-box");
    const unfolds = link.matches(".in-view");
    go(link.href, {
      after: () => {
        if (unfolds) opened(row);
        else box?.focus();
        say();
      },
    });
  });

  function opened(row) {
    const head = row.querySelector(".unfolded h3");
    head?.focus({ preventScroll: true });
    row.scrollIntoView({ block: "nearest" });
  }

  // ------------------------------------------------------------------------------------------ places and pictures

  const counts = (row) =>
    (row.dataset.counts ? row.dataset.counts.split(" ") : []).map((pair) => pair.split(":").map(Number));
  const length = () => view.end - view.start;
  const timeOf = (place) => view.start + (length() * place) / BINS;

  function unfold(row, place, wide = 0) {
    const a = timeOf(place - wide);
    const b = timeOf(place + wide + 1);
    const query = new URLSearchParams(location.search);
    for (const [key, value] of [["sub", row.dataset.sub], ["a", written(a)], ["b", written(Math.max(b, a + 1000))]]) {
      query.set(key, value);
    }
    if (query.has("since")) {
      query.set("since", written(view.start));
      query.set("until", written(view.end));
    }
    go(`${location.pathname}?${query}`, { after: () => opened(row.closest(".row")) });
  }

  // The cursor stays at its time; a closer look may put its picture a little beside the place it had: by as much as the
  // place was wide in which it was last seen, however many steps closer that was.
  function keep(row) {
    const at = Number(row.dataset.at);
    const reach = Math.max(Number(row.dataset.reach), length() / BINS);
    const times = counts(row).map(([place]) => timeOf(place + 0.5));
    const near = times.sort((a, b) => Math.abs(a - at) - Math.abs(b - at))[0];
    const found = near !== undefined && Math.abs(near - at) <= reach;
    const time = found ? near : at;
    show(row, ((time - view.start) / length()) * BINS - 0.5);
    if (!found) row.dataset.reach = String(reach);
    if (time < view.start || time >= view.end) row.querySelector(".cursor").remove();
  }

  function show(row, place) {
    row.dataset.at = String(timeOf(place + 0.5));
    row.dataset.reach = String(length() / BINS);
    let cursor = row.querySelector(".cursor");
    if (!cursor) {
      cursor = document.createElement("span");
      cursor.className = "cursor";
      row.append(cursor);
    }
    cursor.style.left = `${((place + 0.5) / BINS) * 100}%`;
    cursor.dataset.place = String(Math.round(place));
  }

  function step(row, way) {
    const places = counts(row);
    if (!places.length) return say(`${row.dataset.title}: no picture in the time shown`);
    const at = row.querySelector(".cursor")?.dataset.place;
    const now = at === undefined ? -1 : places.findIndex(([place]) => place >= Number(at));
    let to = at === undefined ? (way > 0 ? 0 : places.length - 1) : now + way;
    if (at !== undefined && now === -1) to = places.length - 1;
    else if (at !== undefined && way > 0 && places[now] && places[now][0] > Number(at)) to = now;
    to = Math.min(Math.max(to, 0), places.length - 1);
    const [place, count] = places[to];
    show(row, place);
    const when = new Date(timeOf(place)).toLocaleString([], { timeZone: zone(), dateStyle: "medium", timeStyle: "short" });
    say(`${count} picture${count === 1 ? "" : "s"}, ${when}. Enter shows them.`);
  }

  const zone = () => document.querySelector(".block-zone dd")?.textContent || undefined;

  // ------------------------------------------------------------------------------------------ keys

  for (const row of rows) {
    row.tabIndex = 0;
    row.classList.add("live");
    row.setAttribute("role", "group");
    row.setAttribute("aria-label", `Pictures of ${row.dataset.title} by time`);
    row.setAttribute("aria-describedby", "drawing-keys");
    row.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const way = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
      let done = true;
      if (way && event.shiftKey) pass(shifted(way * 0.25));
      else if (way) step(row, way);
      else if (event.key === "+" || event.key === "=") pass(zoomed(0.5, anchor(row)));
      else if (event.key === "-") pass(zoomed(2, anchor(row)));
      else if (event.key === "Home") go(location.pathname, { after: say });
      else if (event.key === "Enter" && row.querySelector(".cursor")) unfold(row, Number(row.querySelector(".cursor").dataset.place));
      else done = false;
      if (done) event.preventDefault();
    });
    gestures(row, row);
  }
  gestures(dates, null);

  function anchor(row) {
    const share = row.querySelector(".cursor") ? (Number(row.dataset.at) - view.start) / length() : 0.5;
    return share >= 0 && share <= 1 ? share : 0.5;
  }

  const shifted = (share) => ({ start: view.start + length() * share, end: view.end + length() * share });

  function zoomed(factor, share) {
    const whole = Math.min(Math.max(length() * factor, SHORTEST), longest);
    const at = view.start + length() * share;
    return { start: at - whole * share, end: at + whole * (1 - share) };
  }

  // ------------------------------------------------------------------------------------------ wheel, mouse and fingers

  function gestures(box, row) {
    const share = (x) => {
      const edge = box.getBoundingClientRect();
      return (x - edge.left) / edge.width;
    };
    box.addEventListener(
      "wheel",
      (event) => {
        const across = event.shiftKey ? event.deltaY || event.deltaX : event.deltaX;
        if (event.ctrlKey || (!row && !event.shiftKey && event.deltaY)) {
          event.preventDefault();
          pass(zoomed(Math.exp(Math.min(Math.max(event.deltaY, -120), 120) / 240), share(event.clientX)));
        } else if (across && Math.abs(across) >= Math.abs(event.shiftKey ? 0 : event.deltaY)) {
          event.preventDefault();
          pass(shifted(across / box.clientWidth));
        }
      },
      { passive: false },
    );
    const fingers = new Map();
    let from = null; // where a drag began: window, place of the fingers, whether it is more than a press
    const spot = () => {
      const xs = [...fingers.values()];
      return { middle: xs.reduce((a, b) => a + b, 0) / xs.length, apart: xs.length > 1 ? Math.abs(xs[0] - xs[1]) : 0 };
    };
    const hold = () => {
      from = fingers.size ? { view: { ...view }, ...spot(), moved: from?.moved ?? false } : null;
    };
    box.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      fingers.set(event.pointerId, event.clientX);
      hold();
    });
    box.addEventListener("pointermove", (event) => {
      if (!fingers.has(event.pointerId) || !from) return;
      fingers.set(event.pointerId, event.clientX);
      const now = spot();
      if (!from.moved && Math.abs(now.middle - from.middle) < 6 && Math.abs(now.apart - from.apart) < 6) return;
      if (!from.moved) box.setPointerCapture(event.pointerId);
      from.moved = true;
      drawing.classList.add("moved");
      const long = from.view.end - from.view.start;
      const factor = from.apart && now.apart ? from.apart / now.apart : 1;
      const whole = Math.min(Math.max(long * factor, SHORTEST), longest);
      const at = from.view.start + long * share(from.middle);
      const start = at - whole * share(now.middle);
      pass({ start, end: start + whole });
    });
    const lift = (event) => {
      const pressed = from && !from.moved && fingers.size === 1 && event.type === "pointerup";
      const moved = from?.moved;
      fingers.delete(event.pointerId);
      hold();
      if (!fingers.size) drawing.classList.remove("moved");
      if (pressed && !moved && row) press(row, share(event.clientX) * BINS, box.clientWidth);
    };
    box.addEventListener("pointerup", lift);
    box.addEventListener("pointercancel", lift);
  }

  // A press means the nearest tick, within the width of a finger.
  function press(row, at, width) {
    const reach = (14 / width) * BINS;
    const near = counts(row)
      .map(([place]) => [Math.abs(place + 0.5 - at), place])
      .sort((a, b) => a[0] - b[0])[0];
    if (!near || near[0] > Math.max(reach, 1)) return;
    show(row, near[1]);
    unfold(row, near[1]);
  }
}

// ---------------------------------------------------------------------------------------------- bonds that cure

function countDown() {
  const clocks = [...document.querySelectorAll(".countdown")];
  if (!clocks.length) return;
  const words = (minutes) => {
    const days = Math.floor(minutes / 1440);
    const hours = Math.floor((minutes % 1440) / 60);
    const rest = minutes % 60;
    if (days) return `${days} day${days === 1 ? "" : "s"} ${hours} h`;
    return hours ? `${hours} h ${String(rest).padStart(2, "0")} min` : `${rest} min`;
  };
  const tick = () => {
    for (const clock of clocks) {
      const minutes = Math.ceil((Date.parse(clock.dataset.until) - Date.now()) / 60_000);
      clock.textContent = minutes > 0 ? `${words(minutes)} left` : "over";
    }
  };
  setInterval(tick, 30_000);
}
