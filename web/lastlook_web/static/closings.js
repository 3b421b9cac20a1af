// Counts no-load holds down while the page is open; without it the page says what was left when it was made.
const words = (minutes) => {
  const days = Math.floor(minutes / 1440), hours = Math.floor((minutes % 1440) / 60), rest = minutes % 60;
  if (days) return `${days} day${days === 1 ? "" : "s"} ${hours} h left`;
  return hours ? `${hours} h ${String(rest).padStart(2, "0")} min left` : `${rest} min left`;
};

function tick() {
  for (const place of document.querySelectorAll("time[data-left]")) {
    const minutes = Math.ceil((Date.parse(place.dateTime) - Date.now()) / 60000);
    const told = place.parentElement.querySelector(".left");
    if (told) told.textContent = minutes > 0 ? words(minutes) : "over: load the page again";
  }
}

tick();
setInterval(tick, 20000);
