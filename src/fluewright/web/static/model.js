import { ask, cell, cents, data, guarded, theme, ready } from "/static/common.js";

const page = document.getElementById("model");
const name = encodeURIComponent(page.dataset.name);
const at = (id) => document.getElementById(id);
const fields = new Map([...document.querySelectorAll("[data-key]")].map((field) => [field.dataset.key, field]));
const design = Object.fromEntries([...fields].map(([key, field]) => [key, Number(field.value)]));
let sizes = {};
let past = [];
let future = [];
let busy = false;
let waiting = false;
let breathTimer = 0;

function show() {
  for (const [key, field] of fields) if (document.activeElement !== field) field.value = (sizes[key] ?? design[key]).toFixed(3);
  at("undo").disabled = !past.length;
  at("redo").disabled = !future.length;
}

// One request at a time; what comes in between waits, only the newest counts.
async function follow() {
  if (busy) { waiting = true; return; }
  busy = true;
  try {
    const begun = performance.now();
    const view = await data(`/api/models/${name}/drag?theme=${theme()}`, { sizes });
    at("chart").innerHTML = view.chart;
    at("rms").textContent = `${view.rms} cents rms`;
    page.dataset.drawn = String(performance.now() - begun);
    if (!at("note").options.length) for (const note of new Set(view.notes.map((n) => n.note))) at("note").add(new Option(note));
    clearTimeout(breathTimer);
    breathTimer = setTimeout(guarded(breath), 250);
  } finally {
    busy = false;
    if (waiting) { waiting = false; guarded(follow)(); }
  }
}

async function breath() {
  const told = await data(`/api/models/${name}/breath`, { sizes });
  const body = at("breath").tBodies[0];
  body.replaceChildren();
  if (told.reasons.length) { at("breath-says").textContent = told.reasons.join(" "); return; }
  for (const n of told.notes) {
    const row = body.insertRow();
    cell(row, `${n.note} register ${n.register}`);
    for (const value of [n.onset_pa, n.in_tune_pa, n.jump_pa]) cell(row, value === null ? "" : value.toFixed(0));
    cell(row, cents(n.planned_cents));
  }
  const octaves = told.octaves.map((o) => `${o.low}-${o.high} ${cents(o.cents)}`).join(", ");
  at("breath-says").textContent = `In tune on ${told.lowest_pa ?? "?"} Pa for the lowest note, rising as pitch to the power ${told.exponent ?? "?"}. Octaves over pure: ${octaves} cents.${told.at_risk.length ? ` At risk of breaking: ${told.at_risk.join(", ")}.` : ""}${told.hard_to_reach.length ? ` Hard to reach: ${told.hard_to_reach.join(", ")}.` : ""}`;
}

function change(next, keep = true) {
  if (keep) { past.push(sizes); future = []; }
  sizes = next;
  show();
  return guarded(follow)();
}

for (const [key, field] of fields) field.addEventListener("change", () => { if (field.value !== "") change({ ...sizes, [key]: Number(field.value) }); });
at("undo").addEventListener("click", () => { if (past.length) { future.push(sizes); change(past.pop(), false); } });
at("redo").addEventListener("click", () => { if (future.length) { past.push(sizes); change(future.pop(), false); } });
document.addEventListener("keydown", (event) => {
  if (!(event.ctrlKey || event.metaKey) || event.target.matches("input")) return;
  if (event.key === "z") { event.preventDefault(); at(event.shiftKey ? "redo" : "undo").click(); }
});
for (const [id, blown] of [["fit", false], ["fit-blown", true]]) {
  at(id).addEventListener("click", guarded(async () => {
    at("says").textContent = "Fitting ...";
    const told = await data(`/api/models/${name}/fit`, { sizes, blown });
    await change({ ...sizes, ...told.sizes });
    at("says").textContent = `Fitted: ${told.rms} cents rms, worst ${cents(told.worst)}.${told.at_limit.length ? ` At a limit: ${told.at_limit.join(", ")}.` : ""}`;
  }));
}
async function download(path, body, type) {
  return URL.createObjectURL(new Blob([await (await ask(path, body)).arrayBuffer()], { type }));
}
at("hear").addEventListener("click", guarded(async () => {
  at("says").textContent = "Blowing it ...";
  const sound = at("sound");
  sound.src = await download(`/api/models/${name}/sound`, { sizes, what: at("what").value, note: at("note").value }, "audio/wav");
  sound.hidden = false;
  at("says").textContent = "";
  await sound.play().catch(() => {});
}));
at("sheet").addEventListener("click", guarded(async () => {
  const link = document.createElement("a");
  link.href = await download(`/api/models/${name}/sheet`, { sizes }, "application/pdf");
  link.download = `${page.dataset.name}-sheet.pdf`;
  link.click();
}));
at("save").addEventListener("click", guarded(async () => {
  const told = await data(`/api/models/${name}/save`, { sizes, name: at("save-name").value });
  at("says").textContent = `Saved as ${told.name}, version ${told.version}.`;
}));

// Dragging: the drawing says where a hole is and how many millimetres a unit of it is.
let drag = null;
at("chart").addEventListener("pointerdown", (event) => {
  const target = event.target.closest("[data-hole]");
  const svg = at("chart").querySelector("svg");
  if (!target || !svg) return;
  const hole = target.dataset.hole;
  const key = hole === "foot" ? "length_mm" : `holes.${page.dataset.holes.split(",")[Number(hole)]}.position_mm`;
  const scale = Number(svg.dataset.scale);
  const unit = svg.viewBox.baseVal.width / svg.getBoundingClientRect().width;
  drag = { key, from: event.clientX, begun: sizes[key] ?? design[key], step: unit / scale, before: sizes };
  at("chart").setPointerCapture(event.pointerId);
  event.preventDefault();
});
at("chart").addEventListener("pointermove", (event) => {
  if (!drag) return;
  const size = Math.round((drag.begun + (event.clientX - drag.from) * drag.step) * 20) / 20;
  sizes = { ...sizes, [drag.key]: size };
  show();
  guarded(follow)();
});
for (const kind of ["pointerup", "pointercancel"]) at("chart").addEventListener(kind, () => {
  if (!drag) return;
  past.push(drag.before);
  future = [];
  drag = null;
  show();
});
document.addEventListener("theme", guarded(follow));
show();
guarded(follow)();
ready();
