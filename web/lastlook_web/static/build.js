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
  // What is drawn, and what was asked for: over a slow server the second is steps ahead of the first. Places in a row
  // belong to what is drawn; a step goes on from what was asked for, and never waits for an answer.
  let drawn = { start: Date.parse(drawing.dataset.start), end: Date.parse(drawing.dataset.end) };
  let wanted = drawn; // null while only the server knows it: the whole build
  let pinned = null; // the row at whose cursor the steps under way are held
  let steps = []; // those that wait for `wanted` to be known
  let asking = null; // the request under way
  let resting = 0;

  // ------------------------------------------------------------------------------------------ addresses

  const written = (ms) => new Date(Math.round(ms / 1000) * 1000).toISOString().replace(/\.\d+|[-:]/g, "");

  function addressOf(window) {
    const query = new URLSearchParams({ since: written(window.start), until: written(window.end) });
    return `${location.pathname}?${query}`;
  }

  function windowOf(address) {
    const query = new URL(address, location.href).searchParams;
    const at = (name) => Date.parse((query.get(name) ?? "").replace(/^(....)(..)(..T..)(..)(..Z)$/, "$1-$2-$3:$4:$5"));
    return at("since") < at("until") ? { start: at("since"), end: at("until") } : null;
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

  // One request at a time, always for the newest that is wanted; `asking.target` is null for steps, whose answers are
  // drawn as they come, while the answer to an address that was left meanwhile is thrown away.
  let target = null; // an address to go to, and what follows

  async function load() {
    if (asking) {
      if (asking.target && asking.target !== target) asking.stop.abort();
      return;
    }
    const mine = { target, stop: new AbortController() };
    asking = mine;
    const address = mine.target?.address ?? addressOf(near());
    let page = null;
    try {
      const answer = await fetch(`${drawing.dataset.address}${new URL(address, location.href).search}`, { signal: mine.stop.signal });
      if (!answer.ok || answer.redirected) throw new Error(String(answer.status));
      page = new DOMParser().parseFromString(await answer.text(), "text/html");
    } catch (fault) {
      if (fault.name !== "AbortError") return location.assign(mine.target?.address ?? addressOf(wanted)); // the page itself can say it
    }
    asking = null;
    if (mine.target !== target) return load(); // something else is wanted by now
    if (!page) return;
    exchange(page);
    if (mine.target) {
      target = null;
      wanted = drawn;
      mine.target.after?.();
      for (const step of steps.splice(0)) wanted = kept(step());
    }
    if (written(wanted.start) !== written(drawn.start) || written(wanted.end) !== written(drawn.end)) {
      if (!mine.target && address === addressOf(wanted)) wanted = drawn; // drawn as near to it as can be
      else return load();
    }
    pinned = null;
    if (!mine.target && before === null) history.replaceState(null, "", addressOf(wanted));
  }

  // A place of a row is as wide as 1/160 of what is drawn: coming much closer at once would pass by the picture that
  // is meant. So the closer look at a cursor goes by way of windows in which the picture is surely found again.
  function near() {
    const least = (drawn.end - drawn.start) / 32;
    const whole = wanted.end - wanted.start;
    if (!pinned || whole >= least) return wanted;
    const at = Number(pinned.dataset.at);
    const share = (at - wanted.start) / whole;
    return { start: at - least * share, end: at + least * (1 - share) };
  }

  function exchange(page) {
    for (const part of page.querySelectorAll("[data-part]")) {
      const here = document.querySelector(`[data-part="${CSS.escape(part.dataset.part)}"]`);
      if (!here) continue;
      if (part.dataset.part === "frame") {
        drawn = { start: Date.parse(part.dataset.start), end: Date.parse(part.dataset.end) };
        continue;
      }
      if ("counts" in part.dataset) here.dataset.counts = part.dataset.counts;
      const held = here.contains(document.activeElement) ? document.activeElement : null;
      const move = held?.dataset.move;
      here.replaceChildren(...part.childNodes);
      if (!held) continue;
      // Month, Week … have no name but their words; what is away for now leaves the focus with its neighbours.
      const same = move ? here.querySelector(`[data-move="${move}"]`) : [...here.querySelectorAll("a")].find((each) => each.textContent === held.textContent);
      (same ?? here.querySelector("a"))?.focus();
    }
    for (const row of rows) if (row.dataset.at) keep(row);
  }

  function go(address, { after = null, push = true } = {}) {
    settle();
    if (push) history.pushState(null, "", address);
    target = { address, after };
    wanted = windowOf(address);
    steps = [];
    pinned = null;
    return load();
  }

  // A gesture goes through many windows; the history keeps the one it ends in.
  let before = null;
  function pass(step, row = null) {
    if (!wanted) {
      steps.push(step);
      return;
    }
    target = null;
    pinned = row?.querySelector(".cursor") ? row : null;
    wanted = kept(step());
    before ??= location.href;
    clearTimeout(resting);
    resting = setTimeout(settle, REST);
    history.replaceState(null, "", addressOf(wanted));
    load();
  }

  function settle() {
    clearTimeout(resting);
    if (before === null) return;
    history.replaceState(null, "", before);
    history.pushState(null, "", addressOf(wanted ?? drawn));
    before = null;
    say();
  }

  function say(words = document.querySelector(".moving .reach")?.textContent ?? "") {
    said.textContent = words;
  }

  addEventListener("popstate", () => {
    clearTimeout(resting);
    before = null;
    go(location.href, { after: () => say(), push: false });
  });

  document.addEventListener("click", (event) => {
    if (event.defaultPrevented || event.button || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return;
    const link = event.target instanceof Element ? event.target.closest(".moving a, .in-view[href], .unfolded-acts a") : null;
    if (!link || !link.href.startsWith(location.origin)) return;
    event.preventDefault();
    const row = link.closest(".row");
    const box = row?.querySelector(".strip-box");
    const unfolds = link.matches(".in-view");
    // The address of a button belongs to what is drawn; pressed again before the answer came, it means one step more.
    const again = asking && wanted && ONWARD[link.dataset.move];
    go(again ? addressOf(kept(again())) : link.href, {
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
  const length = () => drawn.end - drawn.start;
  const timeOf = (place) => drawn.start + (length() * place) / BINS;

  function unfold(row, place, wide = 0) {
    const a = timeOf(place - wide);
    const b = timeOf(place + wide + 1);
    const query = new URLSearchParams(location.search);
    for (const [key, value] of [["sub", row.dataset.sub], ["a", written(a)], ["b", written(Math.max(b, a + 1000))]]) {
      query.set(key, value);
    }
    if (query.has("since")) {
      query.set("since", written((wanted ?? drawn).start));
      query.set("until", written((wanted ?? drawn).end));
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
    if (row === pinned && wanted) wanted = { start: wanted.start + time - at, end: wanted.end + time - at };
    show(row, ((time - drawn.start) / length()) * BINS - 0.5);
    if (!found) row.dataset.reach = String(reach);
    if (time < drawn.start || time >= drawn.end) row.querySelector(".cursor").remove();
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
    const when = new Date(timeOf(place)).toLocaleString("en-GB", { timeZone: zone(), dateStyle: "medium", timeStyle: "short" });
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
      if (way && event.shiftKey) pass(() => shifted(way * 0.25));
      else if (way) step(row, way);
      else if (event.key === "+" || event.key === "=") pass(() => zoomed(0.5, anchor(row)), row);
      else if (event.key === "-") pass(() => zoomed(2, anchor(row)), row);
      else if (event.key === "Home") go(location.pathname, { after: () => say() });
      else if (event.key === "Enter" && row.querySelector(".cursor")) unfold(row, Number(row.querySelector(".cursor").dataset.place));
      else done = false;
      if (done) event.preventDefault();
    });
    gestures(row, row);
  }
  gestures(dates, null);

  const long = () => wanted.end - wanted.start;

  function anchor(row) {
    const share = row.querySelector(".cursor") ? (Number(row.dataset.at) - wanted.start) / long() : 0.5;
    return share >= 0 && share <= 1 ? share : 0.5;
  }

  const ONWARD = {
    closer: () => zoomed(0.5, 0.5),
    wider: () => zoomed(2, 0.5),
    earlier: () => shifted(-0.5),
    later: () => shifted(0.5),
  };
  const shifted = (share) => ({ start: wanted.start + long() * share, end: wanted.end + long() * share });

  function zoomed(factor, share) {
    const whole = Math.min(Math.max(long() * factor, SHORTEST), longest);
    const at = wanted.start + long() * share;
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
          const [factor, at] = [Math.exp(Math.min(Math.max(event.deltaY, -120), 120) / 240), share(event.clientX)];
          pass(() => zoomed(factor, at));
        } else if (across && Math.abs(across) >= Math.abs(event.shiftKey ? 0 : event.deltaY)) {
          event.preventDefault();
          const part = across / box.clientWidth;
          pass(() => shifted(part));
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
      from = fingers.size ? { view: { ...(wanted ?? drawn) }, ...spot(), moved: from?.moved ?? false } : null;
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
      pass(() => ({ start, end: start + whole }));
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
