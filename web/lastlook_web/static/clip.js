// The player beside its stills: a still or a word seeks, a pause fills in the moment to keep.
const player = document.getElementById("player");

const words = (seconds) => {
  const ms = Math.max(0, Math.round(seconds * 1000));
  const whole = Math.floor(ms / 1000);
  const hours = Math.floor(whole / 3600);
  const minutes = Math.floor(whole / 60) % 60;
  const pair = (value) => String(value).padStart(2, "0");
  const tail = ms % 1000 ? `.${String(ms % 1000).padStart(3, "0").replace(/0+$/, "")}` : "";
  return hours ? `${hours}:${pair(minutes)}:${pair(whole % 60)}${tail}` : `${minutes}:${pair(whole % 60)}${tail}`;
};

if (player) {
  const moment = document.getElementById("moment");
  const rows = [...document.querySelectorAll(".stretch")];
  const starts = rows.map((row) => Number(row.querySelector(".seek")?.dataset.at ?? 0));

  const mark = () => {
    let at = -1;
    starts.forEach((start, n) => {
      if (start <= player.currentTime + 0.05) at = n;
    });
    rows.forEach((row, n) => row.classList.toggle("now", n === at));
  };
  const fill = () => {
    if (moment && player.paused) moment.value = words(player.currentTime);
  };

  // The "#t=" of the address is a hint that not every player follows for every kind of file.
  const start = Number(player.dataset.at);
  const seekFirst = () => {
    if (start && Math.abs(player.currentTime - start) > 0.25) player.currentTime = start;
  };
  if (player.readyState >= 1) seekFirst();
  else player.addEventListener("loadedmetadata", seekFirst, { once: true });

  const fail = () => {
    document.querySelector(".unplayable").hidden = false;
  };
  if (player.error) fail();
  player.addEventListener("error", fail);
  for (const event of ["pause", "seeked"]) player.addEventListener(event, fill);
  for (const event of ["timeupdate", "seeked"]) player.addEventListener(event, mark);

  for (const link of document.querySelectorAll("a.seek")) {
    link.addEventListener("click", (event) => {
      if (event.ctrlKey || event.metaKey || event.shiftKey || event.button !== 0) return;
      event.preventDefault();
      player.currentTime = Number(link.dataset.at);
      player.scrollIntoView({ block: "nearest" });
      player.focus({ preventScroll: true });
    });
  }
}
