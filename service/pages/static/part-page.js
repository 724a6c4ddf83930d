// The page of an analysed part: the list of sizes and the picture of the part lead to each other.
import { givenFit, pickRow, rowsOf } from "./part-rows.js";

const stage = document.getElementById("stage");
const turns = document.getElementById("turns");
const words = document.getElementById("stage-words");
const layer = document.getElementById("layer");
const rows = rowsOf(document);

function hasWebGl() {
  return document.createElement("canvas").getContext("webgl2") !== null;
}

function withoutView(reason) {
  stage.hidden = true;
  turns.hidden = true;
  document.documentElement.classList.remove("viewed");
  words.textContent = `${reason} The list says where each size is.`;
  if (layer) layer.open = true;
}

async function stlOf(address) {
  const answer = await fetch(address);
  if (answer.status === 404) return null;
  if (!answer.ok) throw new Error(`status ${answer.status}`);
  return answer.arrayBuffer();
}

function link(view) {
  const picked = (row) => {
    pickRow(rows, row);
    view.pick(row.index);
  };
  view.onPick = (index) => {
    const row = rows[index];
    picked(row);
    row.element.open = true;
    row.element.scrollIntoView({ block: "nearest" });
    row.element.querySelector("input").focus({ preventScroll: true });
  };
  for (const row of rows) {
    row.element.addEventListener("focusin", () => picked(row));
    row.element.addEventListener("input", () => view.mark(row.index, givenFit(row.element) !== ""));
    view.mark(row.index, givenFit(row.element) !== "");
  }
  for (const button of turns.querySelectorAll("button")) {
    button.addEventListener("click", () => view.turn(button.dataset.turn));
  }
}

async function start() {
  if (!hasWebGl()) {
    withoutView("This browser draws nothing in three dimensions.");
    return;
  }
  try {
    const stl = await stlOf(stage.dataset.display);
    if (stl === null) {
      withoutView("There is no three-dimensional picture of this part.");
      return;
    }
    const { PartView } = await import("./part-view.js");
    stage.hidden = false;
    turns.hidden = false;
    const view = new PartView(stage, stl, rows, () => withoutView("The picture was lost; reload the page to see it again."));
    link(view);
    document.documentElement.classList.add("viewed");
    words.textContent = "Drag, arrow keys or the buttons turn it. Click a hole to give it a fit.";
    if (layer) layer.open = false;
  } catch {
    withoutView("The part could not be drawn here.");
  }
}

start();
