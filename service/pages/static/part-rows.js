// The list of sizes: each row's figures for the picture, and what fit it was given.
function triple(text) {
  return text ? text.split(" ").map(Number) : null;
}

function rowOf(element) {
  const { index, inside, size, depth, at, direction } = element.dataset;
  return {
    element,
    index: Number(index),
    inside: inside === "yes",
    size: Number(size),
    depth: Number(depth),
    at: triple(at),
    direction: triple(direction),
  };
}

// What is typed, short: a class, "8 to 8.1", or "on 6"; empty where nothing is.
export function givenFit(element) {
  const typed = (name) => element.querySelector(`input[name$=".${name}"]`).value.trim();
  if (typed("iso286")) return typed("iso286");
  if (typed("limits.lower_mm") || typed("limits.upper_mm")) {
    return `${typed("limits.lower_mm") || "?"} to ${typed("limits.upper_mm") || "?"}`;
  }
  return typed("mating.mate_mm") ? `on ${typed("mating.mate_mm")}` : "";
}

function showGiven(element) {
  const given = element.querySelector(".given");
  given.textContent = givenFit(element);
  given.hidden = given.textContent === "";
}

export function rowsOf(root) {
  const rows = [...root.querySelectorAll("details.feature")].map(rowOf);
  for (const row of rows) {
    row.element.addEventListener("input", () => showGiven(row.element));
    showGiven(row.element);
  }
  return rows;
}

export function pickRow(rows, chosen) {
  for (const row of rows) row.element.classList.toggle("picked", row === chosen);
}
