// Moving a job: the page that shows the cost opens in a dialog, and where there is a pointer a job can be dragged to
// another place. Nothing is moved before its cost was shown and the move confirmed there.
import { localise } from "./times.js";

const main = document.querySelector("main");
const dialog = document.createElement("dialog");
dialog.className = "moving";
dialog.setAttribute("aria-labelledby", "moving");
document.body.append(dialog);
let opener = null;
let turn = 0;

async function panelAt(address) {
  const answer = await fetch(address, { headers: { Accept: "text/html" } });
  return new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("#move-panel");
}

async function open(address) {
  const mine = ++turn;
  const panel = await panelAt(address).catch(() => null);
  if (mine !== turn) return; // something else was chosen meanwhile
  if (!panel) { location.assign(address); return; } // the page itself says why
  localise(panel);
  const heading = document.createElement("h2");
  heading.id = "moving";
  heading.append(...panel.querySelector("h1").childNodes);
  panel.querySelector("h1").replaceWith(heading);
  const close = document.createElement("button");
  close.type = "button";
  close.textContent = "Leave it where it is";
  close.addEventListener("click", () => dialog.close());
  panel.append(close);
  const focused = dialog.contains(document.activeElement) ? document.activeElement.id : "";
  dialog.replaceChildren(panel);
  if (!dialog.open) dialog.showModal();
  dialog.querySelector(focused ? `#${CSS.escape(focused)}` : "select")?.focus();
}

const shown = (form) => `${form.getAttribute("action")}?${new URLSearchParams(new FormData(form))}`;

main.addEventListener("click", (event) => {
  const link = event.target.closest("a.move");
  if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  opener = link;
  open(link.href);
});
dialog.addEventListener("submit", (event) => {
  if (!event.target.matches("[data-show]")) return;
  event.preventDefault();
  open(shown(event.target));
});
dialog.addEventListener("change", (event) => {
  const form = event.target.closest("form[data-show]");
  if (!form) return;
  if (event.target.name === "to") form.elements.position.value = "best";
  open(shown(form));
});
dialog.addEventListener("close", () => { if (opener?.isConnected) opener.focus(); });

// Dragging, for who has a pointer; the same dialog answers

let dragged = null;

function ready(root) {
  for (const row of root.querySelectorAll("[data-list] [data-job]")) row.draggable = true;
}

const listOf = (element) => element.closest("[data-list]");

main.addEventListener("dragstart", (event) => {
  const row = event.target.closest?.("[data-job]");
  if (!row) return;
  dragged = { job: row.dataset.job, from: listOf(row).dataset.list, row };
  event.dataTransfer.effectAllowed = "move";
  event.dataTransfer.setData("text/plain", row.dataset.job);
  row.closest("[data-region]")?.setAttribute("data-dragging", "");
});
main.addEventListener("dragover", (event) => {
  const target = dragged && (event.target.closest("[data-list] [data-job]") ?? event.target.closest(".bench"));
  for (const row of main.querySelectorAll(".target")) if (row !== target) row.classList.remove("target");
  if (!target) return;
  event.preventDefault();
  target.classList.add("target");
});
main.addEventListener("drop", (event) => {
  const target = main.querySelector(".target");
  if (!dragged || !target) return;
  event.preventDefault();
  const list = listOf(target)?.dataset.list ?? target.dataset.region.slice("bench.".length);
  const position = target.dataset.job ? target.dataset.place : "best";
  opener = dragged.row.querySelector("a.move");
  open(`/machines/${encodeURIComponent(dragged.from)}/move?${new URLSearchParams({ job_id: dragged.job, to: list, position })}`);
});
main.addEventListener("dragend", () => {
  for (const row of main.querySelectorAll(".target")) row.classList.remove("target");
  for (const region of main.querySelectorAll("[data-dragging]")) region.removeAttribute("data-dragging");
  dragged = null;
});
main.addEventListener("region", (event) => ready(event.detail));
ready(main);
