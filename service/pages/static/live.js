// Keeps the regions of a page as they are in the shop: listens to the events, asks again for what one of them may
// have changed, and holds a change back while the pointer or the keyboard is in its place.
import { localise } from "./times.js";

const GATHER_MS = 250; // events that come together are answered together
const SETTLE_MS = 600; // who only passes through takes no stream; nothing is missed by it
const LISTEN_AGAIN_MS = [300, 1000, 2000, 5000, 10000];
const status = document.querySelector("[data-live]");
const main = document.querySelector("main");
const dirty = new Set();
const asked = new Map(); // when a region was last asked for
const held = new Map(); // what a region will become once nobody is in it
let lastEvent = status.dataset.live;
let source = null;
let failures = 0;
let reachable = true;
let waiting = 0;
let timer = 0;
let busy = false;

const regionOf = (name) => main.querySelector(`[data-region="${CSS.escape(name)}"]`);
const here = () => [...main.querySelectorAll("[data-region]")];

// What an event touches

function touched(event) {
  const [kind] = event.kind.split(".");
  const machines = [event.data.machine_id, event.data.from, kind === "machine" ? event.subject.split("/")[1] : null];
  const names = machines.filter(Boolean).map((id) => `bench.${id}`);
  if (kind === "job" || kind === "claim") names.push("jobs", "needs", "floor");
  else if (kind === "outcome") names.push("week", "needs");
  else if (kind !== "part") names.push("needs", "floor");
  if (/^(machine\.(created|deleted)|nozzle|spool|material|shop)/.test(event.kind)) names.push("benches");
  for (const region of here()) {
    const { bench, jobPage, subject, region: name } = region.dataset;
    if (bench && machines.includes(bench)) names.push(name);
    if (jobPage && event.subject === `job/${jobPage}`) names.push(name);
    if (subject && event.subject === subject) names.push(name);
  }
  return names.filter((name) => regionOf(name));
}

function take(event) {
  lastEvent = event.id;
  touched(event).forEach((name) => dirty.add(name));
  plan();
}

function takeAll() {
  here().forEach((region) => dirty.add(region.dataset.region));
  plan();
}

function plan(delay = GATHER_MS) {
  if (reachable && !timer && !busy && dirty.size) timer = setTimeout(refresh, delay);
}

// Asking again

async function refresh() {
  timer = 0;
  const now = Date.now();
  const due = [...dirty].filter((name) => now - (asked.get(name) ?? 0) >= 1000 * (regionOf(name)?.dataset.every ?? 1));
  const covered = due.includes("benches") ? due.filter((name) => !name.startsWith("bench.")) : due;
  busy = true;
  try {
    if (covered.length) show(await newest(covered));
    due.forEach((name) => { dirty.delete(name); asked.set(name, now); });
  } catch {
    reachable = false; // what was asked for stays dirty until the shop answers again
    again();
  }
  busy = false;
  plan(dirty.size ? 1000 : GATHER_MS);
}

async function newest(names) {
  const whole = names.some((name) => regionOf(name)?.hasAttribute("data-page"));
  const query = new URLSearchParams(names.map((name) => ["of", name]));
  const answer = await fetch(whole ? status.dataset.address ?? location.href : `/regions?${query}`, { headers: { Accept: "text/html" }, redirect: "error" });
  if (!answer.ok) throw new Error(answer.statusText);
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  return names.map((name) => [name, page.querySelector(`[data-region="${CSS.escape(name)}"]`)]);
}

// Showing it, or holding it back

function show(regions) {
  for (const [name, fresh] of regions) {
    const old = regionOf(name);
    if (!old) continue;
    if (!fresh) { old.classList.add("gone"); continue; }
    localise(fresh);
    if (same(old, fresh)) continue;
    if (inUse(old)) hold(name, fresh);
    else replace(name, fresh);
  }
}

const bare = (region) => region.cloneNode(true).textContent.replace(/\s+/g, " ");
const links = (region) => [...region.querySelectorAll("[href], rect, input[type=hidden][name=version]")]
  .map((e) => e.getAttribute("href") ?? e.getAttribute("value") ?? `${e.getAttribute("x")} ${e.getAttribute("width")}`).join();
const same = (old, fresh) => !held.has(old.dataset.region) && bare(old) === bare(fresh) && links(old) === links(fresh);

function changed(control) {
  if (control.type === "checkbox" || control.type === "radio") return control.checked !== control.defaultChecked;
  if (control.tagName === "SELECT") return [...control.options].some((o) => o.selected !== o.defaultSelected && control.selectedIndex > 0);
  return control.type !== "hidden" && "defaultValue" in control && control.value !== control.defaultValue;
}

function inUse(region) {
  return region.matches(":hover") || region.contains(document.activeElement) || region.hasAttribute("data-dragging")
    || [...region.querySelectorAll("input, select, textarea")].some(changed);
}

function hold(name, fresh) {
  held.set(name, fresh);
  const region = regionOf(name);
  if (region.querySelector(":scope > .changed")) return;
  const button = document.createElement("button");
  button.type = "button";
  button.className = "changed";
  button.textContent = "Changed, show";
  button.addEventListener("click", () => showHeld(name));
  region.append(button);
}

// What was held back may be older than the shop by now: it is shown at once, and asked for again.
function showHeld(name) {
  replace(name, held.get(name));
  dirty.add(name);
  plan();
}

// Puts the new region in the old one's place; what the pointer or the keyboard is on keeps its place on the screen.
function replace(name, fresh) {
  const old = regionOf(name);
  held.delete(name);
  if (!old || !fresh) return;
  const anchor = here().find((region) => region !== old && !region.contains(old) && !old.contains(region)
    && (region.matches(":hover") || region.contains(document.activeElement)));
  const before = anchor?.getBoundingClientRect().top;
  const height = old.getBoundingClientRect().height;
  const focused = old.contains(document.activeElement);
  old.replaceWith(fresh);
  if (focused) focusOn(fresh);
  if (anchor) keepInPlace(anchor, before, fresh, height);
  main.dispatchEvent(new CustomEvent("region", { detail: fresh }));
}

function focusOn(region) {
  const heading = region.querySelector("h2, h3") ?? region;
  heading.tabIndex = -1;
  heading.focus({ preventScroll: true });
}

function keepInPlace(anchor, before, fresh, height) {
  const shift = () => anchor.getBoundingClientRect().top - before;
  if (Math.abs(shift()) > 1) window.scrollBy({ top: shift(), behavior: "instant" });
  if (shift() < -1) fresh.style.minHeight = `${height}px`; // nothing above to scroll back: its room stays
}

function release() {
  for (const name of [...held.keys()]) {
    const region = regionOf(name);
    if (region && !inUse(region)) showHeld(name);
  }
}
main.addEventListener("pointerout", () => setTimeout(release, 400));
main.addEventListener("focusout", () => setTimeout(release, 400));

// Listening; and where no stream is to be had (too many are open), asking from time to time

function listen() {
  if (document.hidden || (source && source.readyState !== EventSource.CLOSED)) return;
  source = new EventSource(`/v1/events?after=${encodeURIComponent(lastEvent)}`);
  source.addEventListener("open", () => { failures = 0; reached(); });
  source.addEventListener("message", (message) => take(JSON.parse(message.data)));
  source.addEventListener("gap", takeAll);
  source.addEventListener("error", again);
}

function again() {
  source?.close();
  clearTimeout(waiting);
  waiting = setTimeout(catchUp, LISTEN_AGAIN_MS[Math.min(failures, LISTEN_AGAIN_MS.length - 1)]);
  failures += 1;
}

// What happened since the last event that was heard of; then the stream again.
async function catchUp() {
  if (document.hidden) return;
  try {
    const query = new URLSearchParams({ after: lastEvent, limit: 200 });
    const answer = await fetch(`/v1/events?${query}`, { headers: { Accept: "application/json" } });
    if (answer.status === 401 || answer.status === 403) { say("You are signed out: load the page again."); return; }
    if (!answer.ok) throw new Error(answer.statusText);
    const page = await answer.json();
    reached();
    page.items.forEach(take);
    if (page.gap) takeAll();
    listen();
  } catch {
    reachable = false;
    say("The shop does not answer; this page shows what it last knew and goes on by itself.");
    again();
  }
}

function reached() {
  reachable = true;
  say("");
  plan();
}

function say(text) {
  status.textContent = text;
  status.hidden = !text;
}

document.addEventListener("visibilitychange", () => {
  if (document.hidden) source?.close();
  else catchUp();
});
window.addEventListener("pagehide", () => source?.close());
waiting = setTimeout(listen, SETTLE_MS);
