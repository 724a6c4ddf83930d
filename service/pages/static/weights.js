// The weights as sliders: each change asks for the routing that the job would have then, and keeps nothing.
const NAMES = ["detail", "fit", "clog", "time"];
const WAIT_MS = 150; // a slider that is being moved asks once it rests
const SHOWN = 5;

function ready(section) {
  const sliders = NAMES.map((name) => section.querySelector(`[name="${name}"]`));
  const own = sliders.map((slider) => slider.value);
  const said = section.querySelector(".what-if");
  const table = section.querySelector("table");
  const machines = JSON.parse(section.dataset.machines);
  let job = null;
  let turn = 0;
  let timer = 0;
  section.hidden = false;

  const shares = () => {
    const sum = sliders.reduce((total, slider) => total + slider.valueAsNumber, 0);
    return sliders.map((slider) => (sum ? slider.valueAsNumber / sum : 0));
  };

  function label() {
    shares().forEach((share, i) => { sliders[i].nextElementSibling.textContent = `${Math.round(100 * share)} %`; });
  }

  async function ask() {
    const mine = ++turn;
    if (!shares().some(Boolean)) { said.textContent = "At least one weight must be above 0."; return; }
    try {
      job ??= await json(await fetch(`/v1/jobs/${encodeURIComponent(section.dataset.job)}`));
      const emphasis = Object.fromEntries(NAMES.map((name, i) => [name, sliders[i].valueAsNumber]));
      const found = await json(await fetch("/v1/routing-queries", {
        method: "POST",
        headers: { "Content-Type": "application/json", "X-Form-Token": section.dataset.token },
        body: JSON.stringify({ ...job.spec, emphasis }),
      }));
      if (mine === turn) show(found);
    } catch (error) {
      if (mine === turn) said.textContent = `The shop did not answer: ${error.message}`;
    }
  }

  function show({ routing, explanation }) {
    said.textContent = explanation.headline;
    const ranked = routing.chosen ? [routing.chosen, ...routing.others].slice(0, SHOWN) : [];
    table.hidden = !ranked.length;
    table.tBodies[0].replaceChildren(...ranked.map(row));
  }

  function row(candidate, index) {
    const line = document.createElement("tr");
    if (index === 0) line.className = "chosen";
    const scores = NAMES.map((name) => candidate.scores[name].toFixed(3));
    const cells = [index + 1, `${machines[candidate.machine_id] ?? candidate.machine_id}, ${candidate.bore_mm} mm`, ...scores, candidate.utility.toFixed(4)];
    cells.forEach((text, i) => {
      const cell = document.createElement(i === 1 ? "th" : "td");
      if (i === 1) cell.scope = "row"; else cell.className = "figures";
      cell.textContent = String(text).replace("-", i === 6 ? "\u2212" : "-");
      line.append(cell);
    });
    return line;
  }

  const plan = () => { label(); clearTimeout(timer); timer = setTimeout(ask, WAIT_MS); };
  sliders.forEach((slider) => slider.addEventListener("input", plan));
  section.querySelector("button").addEventListener("click", () => {
    sliders.forEach((slider, i) => { slider.value = own[i]; });
    plan();
  });
  label();
}

async function json(answer) {
  const body = await answer.json();
  if (!answer.ok) throw new Error(body.detail ?? answer.statusText);
  return body;
}

const main = document.querySelector("main");
const find = (root) => root.querySelectorAll("#weights").forEach(ready);
main.addEventListener("region", (event) => find(event.detail));
find(main);
