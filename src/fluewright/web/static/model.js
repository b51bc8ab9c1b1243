import { ask, cell, cents, data, fetchFile, guarded, quiet, theme, ready, wide } from "/static/common.js";
import { chosenPlace, showEffects, showPlaces } from "/static/section.js";

const page = document.getElementById("model");
const name = encodeURIComponent(page.dataset.name);
const at = (id) => document.getElementById(id);
const fields = new Map([...document.querySelectorAll("[data-key]")].map((field) => [field.dataset.key, field]));
const limitFields = [...document.querySelectorAll("[data-limit]")];
const fixedFields = [...document.querySelectorAll("[data-fixed]")];
const design = Object.fromEntries([...fields].map(([key, field]) => [key, Number(field.value)]));
let sizes = {};
let limits = {};
const past = [];
let future = [];
let busy = false;
let waiting = false;
let breathTimer = 0;
let place = "";
let savedAs = "[{},{}]";
// The last sizes that made an instrument: what is drawn, whatever stands in a field.
let good = { sizes, limits };

function show() {
  for (const [key, field] of fields) if (document.activeElement !== field) field.value = (sizes[key] ?? design[key]).toFixed(3);
  at("undo").disabled = !past.length;
  at("redo").disabled = !future.length;
}

const body = (more = {}) => ({ sizes, limits, ...more });
const drawable = (more = {}) => ({ ...good, ...more });

// One request at a time; what comes in between waits, only the newest counts.
async function follow() {
  if (busy) { waiting = true; return; }
  busy = true;
  try {
    await drawn({ sizes, limits });
  } catch (error) {
    // A place that was dragged past what can be stays at the last that could: field and picture agree.
    if (drag?.moved) { sizes = good.sizes; show(); }
    throw error;
  } finally {
    busy = false;
    if (waiting) { waiting = false; guarded(follow)(); }
  }
}

async function drawn(wanted) {
  const begun = performance.now();
  const view = await data(`/api/models/${name}/drag?theme=${theme()}&wide=${wide()}`, { ...wanted, section: Boolean(drag?.inHead) });
  good = wanted;
  const first = !at("chart").firstChild;
  at("chart").innerHTML = view.chart;
  // On a narrow screen the holes are what is wanted, not the head.
  if (first) at("chart").scrollLeft = at("chart").scrollWidth;
  if (view.section) at("section").innerHTML = view.section;
  at("rms").textContent = `${view.rms} cents rms, by the resonances; what breath adds stands below`;
  page.dataset.drawn = String(performance.now() - begun);
  if (!at("note").options.length) for (const note of new Set(view.notes.map((n) => n.note))) at("note").add(new Option(note));
  clearTimeout(breathTimer);
  breathTimer = setTimeout(quiet(slowParts), 250);
}

// What takes longer than a frame follows when the hand rests.
async function slowParts() {
  if (!drag) await section();
  await Promise.all([breath(), sensitivity()]);
}

async function section() {
  const told = await data(`/api/models/${name}/section?theme=${theme()}&wide=${wide()}`, drawable({ place: "" }));
  at("section").innerHTML = told.section;
  showPlaces(at("places"), { ...told, place });
  if (place && !at("effects").dataset.stale) {
    at("effects").dataset.stale = "yes";
    at("effects").replaceChildren(Object.assign(document.createElement("p"), { textContent: "A size changed: press the place again to see its effects now.", className: "help" }));
  }
}

async function sensitivity() {
  at("sensitivity").innerHTML = (await data(`/api/models/${name}/sensitivity?theme=${theme()}&wide=${wide()}`, drawable())).picture;
}

async function breath() {
  const told = await data(`/api/models/${name}/breath?theme=${theme()}&wide=${wide()}`, drawable());
  const rows = at("breath").tBodies[0];
  rows.replaceChildren();
  at("breath-picture").innerHTML = told.picture;
  if (told.reasons.length) { at("breath-says").textContent = told.reasons.join(" "); return; }
  for (const n of told.notes) {
    const row = rows.insertRow();
    cell(row, `${n.note} register ${n.register}`);
    for (const value of [n.onset_pa, n.in_tune_pa, n.jump_pa]) cell(row, value === null ? "" : value.toFixed(0));
    cell(row, cents(n.planned_cents));
  }
  const octaves = told.octaves.map((o) => `${o.low}-${o.high} ${cents(o.cents)}`).join(", ");
  at("breath-says").textContent = `In tune on ${told.lowest_pa?.toFixed(0) ?? "?"} Pa for the lowest note, rising as pitch to the power ${told.exponent ?? "?"}. Octaves over pure: ${octaves} cents.${told.at_risk.length ? ` At risk of breaking: ${told.at_risk.join(", ")}.` : ""}${told.hard_to_reach.length ? ` Hard to reach: ${told.hard_to_reach.join(", ")}.` : ""}`;
}

function change(next, keep = true) {
  if (keep) { past.push(sizes); future = []; }
  sizes = next;
  show();
  return guarded(follow)();
}

for (const [key, field] of fields) field.addEventListener("change", () => { if (field.value !== "") change({ ...sizes, [key]: Number(field.value) }); });
for (const field of limitFields) field.addEventListener("change", () => { limits = { ...limits, [field.dataset.limit]: field.value === "" ? null : Number(field.value) }; guarded(follow)(); });
for (const field of fixedFields) field.addEventListener("change", () => { limits = { ...limits, fixed: fixedFields.filter((f) => f.checked).map((f) => f.dataset.fixed).concat(kept) }; guarded(follow)(); });
at("undo").addEventListener("click", () => { if (past.length) { future.push(sizes); change(past.pop(), false); } });
at("redo").addEventListener("click", () => { if (future.length) { past.push(sizes); change(future.pop(), false); } });
document.addEventListener("keydown", (event) => {
  if (!(event.ctrlKey || event.metaKey) || event.target.matches("input")) return;
  if (event.key === "z") { event.preventDefault(); at(event.shiftKey ? "redo" : "undo").click(); }
});
for (const [id, blown] of [["fit", false], ["fit-blown", true]]) {
  at(id).addEventListener("click", guarded(async () => {
    at("says").textContent = "Fitting ...";
    let told;
    try { told = await data(`/api/models/${name}/fit`, body({ blown })); } catch (error) { at("says").textContent = ""; throw error; }
    await change({ ...sizes, ...told.sizes });
    at("says").textContent = `Fitted: ${told.rms} cents rms, worst ${cents(told.worst)}.${told.at_limit.length ? ` At a limit: ${told.at_limit.join(", ")}.` : ""}${told.broken.length ? ` Not kept: ${told.broken.join(", ")}.` : ""}`;
  }));
}
at("hear").addEventListener("click", guarded(async () => {
  at("says").textContent = "Blowing it ...";
  const sound = at("sound");
  try { sound.src = URL.createObjectURL(await (await ask(`/api/models/${name}/sound`, body({ what: at("what").value, note: at("note").value }))).blob()); } finally { at("says").textContent = ""; }
  sound.hidden = false;
  await sound.play().catch(() => {});
}));
at("sheet").addEventListener("click", guarded(async () => {
  await fetchFile(`/api/models/${name}/sheet`, `${page.dataset.name}-sheet.pdf`, body());
}));
at("save").addEventListener("click", guarded(async () => {
  const told = await data(`/api/models/${name}/save`, body({ name: at("save-name").value }));
  savedAs = JSON.stringify([sizes, limits]);
  // What was saved is what stands on the page from now on.
  sessionStorage.setItem("saved", `Saved as ${told.name}, version ${told.version}.`);
  location.assign(`/models/${encodeURIComponent(told.name)}`);
}));

// Fixed keys that have no tick of their own here, for example "bore", stay as they are.
const kept = (page.dataset.fixed || "").split(" ").filter((key) => key && !fixedFields.some((f) => f.dataset.fixed === key));

// Dragging: the drawing says where a place is and how many millimetres a unit of it is.
let drag = null;
function begin(event, box, moves, inHead) {
  const svg = box.querySelector("svg");
  if (!svg || !moves.length) return;
  const unit = svg.viewBox.baseVal.width / svg.getBoundingClientRect().width / Number(svg.dataset.scale);
  drag = { moves, x: event.clientX, y: event.clientY, unit, before: sizes, box, inHead, moved: false };
  if (event.pointerType !== "mouse") event.preventDefault();
}
at("chart").addEventListener("pointerdown", (event) => {
  const target = event.target.closest("[data-hole]");
  if (!target) return;
  const hole = target.dataset.hole;
  const key = hole === "foot" ? "length_mm" : `holes.${page.dataset.holes.split(",")[Number(hole)]}.position_mm`;
  begin(event, at("chart"), [{ key, from: sizes[key] ?? design[key], along: "x", sign: 1 }], false);
});
at("section").addEventListener("pointerdown", (event) => {
  const target = event.target.closest("[data-size]");
  if (!target) return;
  const key = target.dataset.size;
  if (!(key in design)) return;
  begin(event, at("section"), [{ key, from: sizes[key] ?? design[key], along: target.dataset.direction ?? "x", sign: Number(target.dataset.sign ?? 1) }], true);
});
document.addEventListener("pointermove", (event) => {
  if (!drag) return;
  const by = { x: (event.clientX - drag.x) * drag.unit, y: (event.clientY - drag.y) * drag.unit };
  if (Math.hypot(event.clientX - drag.x, event.clientY - drag.y) > 3) drag.moved = true;
  if (!drag.moved) return;
  const fine = drag.inHead ? 100 : 20; // steps of 0.01 mm in the head, of 0.05 mm along the body
  const next = { ...sizes };
  for (const m of drag.moves) next[m.key] = Math.round((m.from + by[m.along] * m.sign) * fine) / fine;
  sizes = next;
  show();
  quiet(follow)();
});
for (const kind of ["pointerup", "pointercancel"]) document.addEventListener(kind, () => {
  if (!drag) return;
  const done = drag;
  drag = null;
  if (!done.moved) return;
  past.push(done.before);
  future = [];
  show();
  if (done.inHead) quiet(follow)();
  swallow = true;
  setTimeout(() => { swallow = false; }, 0);
});
let swallow = false; // the press that ends a drag chooses no place
let pressed = 0;
for (const [id, kind] of [["section", "click"], ["section", "keydown"], ["places", "click"]]) at(id).addEventListener(kind, guarded(async (event) => {
  const chosen = swallow ? null : chosenPlace(event);
  if (chosen === null) return;
  place = chosen;
  pressed += 1;
  const mine = pressed;
  delete at("effects").dataset.stale;
  at("effects").replaceChildren(Object.assign(document.createElement("p"), { textContent: "Computing what a step does ...", className: "help" }));
  let told;
  try { told = await data(`/api/models/${name}/section?theme=${theme()}&wide=${wide()}`, body({ place })); } catch (error) { at("effects").replaceChildren(); throw error; }
  if (mine !== pressed) return;
  at("section").innerHTML = told.section;
  showPlaces(at("places"), told);
  showEffects(at("effects"), told);
  at(id).querySelector(`[data-place="${place}"]`)?.focus({ preventScroll: true });
}));
// In other colours the last sizes that made an instrument are drawn, even if a field holds a faulty one.
document.addEventListener("theme", quiet(() => drawn(good)));
// Work that was not saved is not lost by a slip.
window.addEventListener("beforeunload", (event) => { if (JSON.stringify([sizes, limits]) !== savedAs) event.preventDefault(); });
at("says").textContent = sessionStorage.getItem("saved") ?? "";
sessionStorage.removeItem("saved");
show();
quiet(follow)();
ready();
