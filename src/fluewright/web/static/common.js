// What every page shares: faults shown plainly, requests, and the theme.
const box = document.getElementById("fault");

// It lies over the foot of the page, so that nothing moves away under a finger when it comes or goes.
export function fault(text) {
  box.textContent = text;
  box.hidden = !text;
  if (!text) return;
  const away = document.createElement("button");
  away.type = "button";
  away.textContent = "Close";
  away.addEventListener("click", () => fault(""));
  box.append(away);
}

// Nothing can be pressed before its script is there: a press that goes nowhere would be lost.
export function ready() {
  document.getElementById("main").inert = false;
}

export function theme() {
  return document.documentElement.dataset.theme === "dark" ? "dark" : "light";
}

// How wide a drawing to ask for, mm: on a narrow screen a smaller page, so that its words and places stay large.
export function wide() {
  return document.documentElement.clientWidth < 640 ? 90 : 180;
}

async function answered(path, options) {
  let answer;
  try {
    answer = await fetch(path, options);
  } catch {
    throw new Error("the program does not answer; is it still running?");
  }
  if (answer.ok) return answer;
  const text = await answer.text();
  let says = text;
  try { says = JSON.parse(text).fault ?? text; } catch { /* plain text it is */ }
  throw new Error(says.trim() || `refused (${answer.status})`);
}

export function ask(path, data) {
  return answered(path, data === undefined ? {} : { method: "POST", body: JSON.stringify(data), headers: { "content-type": "application/json" } });
}

// A file as it is, for example a recording.
export async function send(path, file) {
  return (await answered(path, { method: "POST", body: file })).json();
}

export async function data(path, body) {
  return (await ask(path, body)).json();
}

// Lets the browser keep an answer as a file, under the name that it came with; what is refused is said on the page.
// What makes a file is work: it is asked for by POST, which no other site can send.
export async function fetchFile(path, name, body) {
  const answer = await ask(path, body);
  const link = document.createElement("a");
  link.href = URL.createObjectURL(await answer.blob());
  link.download = name || (/filename="([^"]+)"/.exec(answer.headers.get("content-disposition") ?? "")?.[1] ?? "file");
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
}

export function guarded(work) {
  return async (...rest) => {
    try { fault(""); return await work(...rest); } catch (error) { fault(error.message); }
  };
}

// For what nobody pressed: it says what went wrong, and leaves standing what was said to the last press.
export function quiet(work) {
  return async (...rest) => {
    try { return await work(...rest); } catch (error) { fault(error.message); }
  };
}

// What is gone for good takes two presses: the first asks, and is forgotten after six seconds or when `state` changed.
export function twice(button, words, state, work) {
  const plain = button.textContent;
  let asked = null;
  const forget = () => { asked = null; button.textContent = plain; };
  button.addEventListener("click", guarded(async () => {
    const now = state();
    if (asked !== now) {
      asked = now;
      button.textContent = words();
      setTimeout(forget, 6000);
      return;
    }
    forget();
    await work();
  }));
}

export function cents(value, digits = 1) {
  return value === null || value === undefined ? "" : `${value >= 0 ? "+" : "\u2212"}${Math.abs(value).toFixed(digits)}`;
}

export function cell(row, text) {
  const made = row.insertCell();
  made.textContent = text;
  return made;
}

const button = document.getElementById("theme");
function name() { button.textContent = theme() === "dark" ? "Light" : "Dark"; button.setAttribute("aria-pressed", String(theme() === "dark")); }
name();
button.addEventListener("click", () => {
  document.documentElement.dataset.theme = theme() === "dark" ? "light" : "dark";
  localStorage.setItem("theme", theme());
  name();
  document.dispatchEvent(new Event("theme"));
});

for (const made of document.querySelectorAll("button[data-file]")) {
  made.addEventListener("click", guarded(() => fetchFile(made.dataset.file, "", {})));
}
