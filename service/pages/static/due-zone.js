// The due date in the reader's own zone: the label names it, and the form sends the offset that holds on that day.
const due = document.querySelector('input[name="due"]');
const offset = document.querySelector('input[name="due_offset"]');

function offsetOf(moment) {
  const minutes = -moment.getTimezoneOffset();
  const two = (value) => String(Math.floor(value)).padStart(2, "0");
  const size = Math.abs(minutes);
  return `${minutes < 0 ? "-" : "+"}${two(size / 60)}:${two(size % 60)}`;
}

function note() {
  const moment = new Date(due.value);
  offset.value = Number.isNaN(moment.getTime()) ? "" : offsetOf(moment);
}

if (due && offset) {
  const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
  due.labels[0].textContent = `Due (date and time, ${zone.replaceAll("_", " ")})`;
  due.addEventListener("change", note);
  due.form.addEventListener("submit", note);
}
