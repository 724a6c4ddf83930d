// Moments in the reader's own zone. Without this script they stand in UTC, which is said.
const DAY_MS = 86_400_000;
const clock = new Intl.DateTimeFormat(undefined, { hour: "2-digit", minute: "2-digit" });
const near = new Intl.DateTimeFormat(undefined, { weekday: "short", hour: "2-digit", minute: "2-digit" });
const far = new Intl.DateTimeFormat(undefined, { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit" });

function inWords(moment) {
  const now = new Date();
  if (moment.toDateString() === now.toDateString()) return clock.format(moment);
  return (Math.abs(moment - now) < 5 * DAY_MS ? near : far).format(moment);
}

export function localise(root) {
  for (const element of root.querySelectorAll("time[datetime]:not([data-utc])")) {
    const moment = new Date(element.dateTime);
    if (Number.isNaN(moment.valueOf())) continue;
    element.dataset.utc = element.textContent;
    element.title = element.textContent;
    element.textContent = inWords(moment);
  }
}

localise(document);
