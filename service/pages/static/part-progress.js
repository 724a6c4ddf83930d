// How far the analysis is, asked for again and again; when it is over the page is read anew. A service that does not
// answer for a while is waited for.
const box = document.getElementById("analysis");
const phases = JSON.parse(box.dataset.phases);
const bar = document.getElementById("analysed");
const percent = document.getElementById("percent");
const phase = document.getElementById("phase");
const trouble = document.getElementById("analysis-trouble");
const EVERY_MS = 700;
const LONGEST_MS = 8000;
let wait = EVERY_MS;

function say(problem) {
  if (trouble.textContent === problem) return; // said once, not with every try
  trouble.textContent = problem;
  trouble.hidden = problem === "";
}

function show(part) {
  bar.value = part.percent;
  percent.textContent = `${Math.round(part.percent)} %`;
  const said = phases[part.phase] ?? part.phase;
  if (phase.textContent !== said) phase.textContent = said;
}

async function look() {
  try {
    const answer = await fetch(box.dataset.part, { cache: "no-store" });
    if (answer.status === 401 || answer.status === 403 || answer.status === 404) {
      window.location.reload();
      return;
    }
    if (!answer.ok) throw new Error(String(answer.status));
    const part = await answer.json();
    say("");
    wait = EVERY_MS;
    show(part);
    if (part.state === "analysed" || part.state === "refused") {
      window.location.reload();
      return;
    }
  } catch {
    wait = Math.min(wait * 2, LONGEST_MS);
    say("The shop does not answer just now; this page goes on asking.");
  }
  window.setTimeout(look, wait);
}

look();
