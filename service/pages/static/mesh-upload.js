// The form for a mesh with a script: the file may be dropped, its size is looked at before it is sent, and how far
// the sending is can be seen. Without the script the same form is sent as it stands.
const form = document.getElementById("mesh-form");
const file = document.getElementById("file");
const drop = document.getElementById("drop");
const trouble = document.getElementById("e-file");
const sending = document.getElementById("sending");
const sent = document.getElementById("sent");
const words = document.getElementById("sending-words");
const button = form.querySelector("button");
const limit = Number(form.dataset.limitBytes);
const MIB = 1024 * 1024;

function say(problem) {
  trouble.textContent = problem;
  trouble.hidden = problem === "";
  file.closest(".field").classList.toggle("wrong", problem !== "");
  if (problem) {
    file.setAttribute("aria-invalid", "true");
  } else {
    file.removeAttribute("aria-invalid");
  }
}

function problemOf(chosen) {
  if (!chosen) return "Choose a mesh file first.";
  if (chosen.size === 0) return "The file is empty.";
  if (chosen.size <= limit) return "";
  return `The file has ${(chosen.size / MIB).toFixed(1)} MiB; the limit is ${limit / MIB} MiB. It was not sent.`;
}

function stop(problem) {
  sending.hidden = true;
  button.disabled = false;
  say(problem);
  file.focus();
}

function detailOf(request) {
  try {
    const problem = JSON.parse(request.responseText);
    return problem.errors?.[0]?.detail ?? problem.detail ?? problem.title;
  } catch {
    return `The shop answered with status ${request.status}.`;
  }
}

function finished(request) {
  if (request.status === 200 || request.status === 202) {
    window.location.assign(form.dataset.partPage + JSON.parse(request.responseText).id);
    return;
  }
  stop(detailOf(request));
}

function bodyOf(chosen) {
  const body = new FormData();
  body.append("file", chosen, chosen.name);
  body.append("unit", form.elements.unit.value);
  body.append("orientation", form.elements.orientation.value);
  return body;
}

function send(chosen) {
  const request = new XMLHttpRequest();
  request.open("POST", form.dataset.sendTo);
  request.setRequestHeader("X-Form-Token", form.elements.form_token.value);
  request.upload.addEventListener("progress", (event) => {
    sent.value = event.lengthComputable ? (100 * event.loaded) / event.total : 0;
  });
  request.addEventListener("load", () => finished(request));
  request.addEventListener("error", () => stop("The connection broke before the file was there; send it again."));
  sending.hidden = false;
  sent.value = 0;
  words.textContent = `${chosen.name}, ${(chosen.size / MIB).toFixed(1)} MiB`;
  button.disabled = true;
  request.send(bodyOf(chosen));
}

function take(event) {
  event.preventDefault();
  const chosen = file.files[0];
  const problem = problemOf(chosen);
  say(problem);
  if (problem) {
    file.focus();
  } else {
    send(chosen);
  }
}

function dropped(event) {
  event.preventDefault();
  drop.classList.remove("over");
  if (event.dataTransfer.files.length !== 1) {
    say("Drop one file at a time.");
    return;
  }
  file.files = event.dataTransfer.files;
  say(problemOf(file.files[0]));
}

function over(event) {
  event.preventDefault();
  drop.classList.add("over");
}

document.documentElement.classList.add("scripted");
form.addEventListener("submit", take);
file.addEventListener("change", () => say(problemOf(file.files[0])));
drop.addEventListener("dragover", over);
drop.addEventListener("dragleave", () => drop.classList.remove("over"));
drop.addEventListener("drop", dropped);
// A file that misses the zone must not take the page away.
window.addEventListener("dragover", (event) => event.preventDefault());
window.addEventListener("drop", (event) => event.preventDefault());
// Coming back with the browser's own button finds the form usable.
window.addEventListener("pageshow", () => {
  sending.hidden = true;
  button.disabled = false;
});
