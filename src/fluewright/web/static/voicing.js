import { ask, cell, cents, data, guarded, quiet, send, theme, ready, wide, twice } from "/static/common.js";
import { connect } from "/static/live.js";
import { record, troubles } from "/static/recorder.js";
import { chosenPlace, showEffects, showPlaces } from "/static/section.js";

const page = document.getElementById("voicing");
const serial = encodeURIComponent(page.dataset.serial);
const at = (id) => document.getElementById(id);
const api = `/api/voicing/${serial}`;
let state = null;
let asked = 0;
let taking = null; // { step, take }
let judged = ""; // the trial and checks whose advice is shown
let place = "";

const make = (tag, text = "", name = "") => { const made = document.createElement(tag); made.textContent = text; if (name) made.className = name; return made; };
const percent = (value) => `${Math.round(100 * value)} %`;
const inUnit = (pa) => (at("unit").value === "mm" ? pa / 9.80665 : pa);

async function look() {
  asked += 1;
  const mine = asked;
  const fresh = await data(`${api}?theme=${theme()}&beside=${at("beside").value}`);
  if (mine !== asked) return;
  state = fresh;
  draw();
  const newest = state.trials.length ? state.trials[state.trials.length - 1].event : 0;
  const key = `${newest} ${state.checks.filter((c) => c.done).map((c) => c.key)}`;
  if (newest && key !== judged) { judged = key; quiet(judge)(); }
}

function draw() {
  drawChecks();
  if (document.activeElement !== at("temperature")) at("temperature").value = state.temperature_c ?? "";
  at("temperature").placeholder = String(state.design_temperature_c);
  if (document.activeElement !== at("body")) at("body").value = state.body;
  at("good").checked = state.good;
  if (!taking && !at("steps").contains(document.activeElement)) drawSteps();
  else refreshSteps();
  drawTyped();
  at("finish").disabled = !state.has_something;
  at("throw-away").disabled = !state.has_something;
  drawBeside();
  drawOutcomes();
  if (!state.trials.length) {
    at("next").textContent = "Next: tick what you have excluded, then make a trial, step by step.";
    at("wrong").replaceChildren(make("p", "Nothing was tried yet. Make a trial above; then symptoms, causes and what to do stand here."));
    at("do").replaceChildren();
  }
}

function drawChecks() {
  const box = at("checks");
  if (box.childElementCount) {
    for (const check of state.checks) box.querySelector(`[data-check="${check.key}"]`).checked = check.done;
    return;
  }
  for (const check of state.checks) {
    const label = make("label", "", "tick");
    const tick = document.createElement("input");
    tick.type = "checkbox"; tick.checked = check.done; tick.dataset.check = check.key;
    tick.addEventListener("change", guarded(() => settle({ checked: [...box.querySelectorAll("input:checked")].map((t) => t.dataset.check) })));
    label.append(tick, ` ${check.how}`);
    box.append(label);
  }
}

async function settle(what) { await data(`${api}/settle`, what); await look(); }

function drawSteps() {
  const list = at("steps");
  list.replaceChildren();
  for (const step of state.steps) {
    const item = make("li", "", "step");
    item.dataset.step = step.key;
    item.append(make("h3", step.title), make("p", step.say), make("p", `Notes: ${step.notes.map(([n, r]) => `${n} of register ${r}`).join(", ")}`, "help"));
    const row = make("div", "", "row");
    const button = make("button", "Record");
    button.type = "button"; button.className = "record"; button.setAttribute("aria-label", `Record: ${step.title}`);
    button.addEventListener("click", guarded(() => press(step, item)));
    row.append(button, fileField("Use a recording", ".wav,.flac,.ogg,.mp3,audio/*", `recording?step=${step.key}&`));
    if (step.kind === "swell") row.append(fileField("Add its breath log (CSV)", ".csv,.txt,text/csv", "breath-log?"));
    item.append(row, make("p", "", "level help"));
    if (step.breaths.length) item.append(breathFields(step));
    item.append(make("div", "", "heard"));
    list.append(item);
  }
  refreshSteps();
}

function fileField(text, kinds, path) {
  const label = make("label", `${text} `, "file");
  const field = document.createElement("input");
  field.type = "file"; field.accept = kinds;
  field.addEventListener("change", guarded(async () => {
    const file = field.files[0];
    if (!file) return;
    at("mic").textContent = `Hearing ${file.name} ...`;
    try { await send(`${api}/${path}name=${encodeURIComponent(file.name)}`, file); at("mic").textContent = `${file.name} was taken.`; } finally { field.value = ""; }
    await look();
  }));
  label.append(field);
  return label;
}

function breathFields(step) {
  const row = make("div", "", "row");
  for (const breath of step.breaths) {
    const label = make("label", `${breath.note}: ${breath.title}, ${at("unit").value === "mm" ? "mm of water" : "Pa"}`);
    const field = document.createElement("input");
    field.type = "number"; field.step = "any"; field.min = "0"; field.inputMode = "decimal";
    field.dataset.breath = `${breath.note} ${breath.register} ${breath.quantity}`;
    field.addEventListener("change", guarded(() => keep(breath.note, breath.register, breath.quantity, field.value === "" ? null : Number(field.value))));
    label.append(field);
    row.append(label);
  }
  return row;
}

async function keep(note, register, quantity, value) {
  try { await data(`${api}/reading`, { note, register, quantity, value, unit: at("unit").value }); } finally { await look(); }
}

// What changes in a step while it is open: what was heard, the typed values, the button's words.
function refreshSteps() {
  for (const step of state.steps) {
    const item = at("steps").querySelector(`[data-step="${step.key}"]`);
    if (!item) continue;
    item.classList.toggle("done", Boolean(step.take));
    for (const breath of step.breaths) {
      const field = item.querySelector(`[data-breath="${breath.note} ${breath.register} ${breath.quantity}"]`);
      if (document.activeElement !== field) field.value = breath.value === null ? "" : inUnit(breath.value).toFixed(at("unit").value === "mm" ? 1 : 0);
    }
    if (taking?.step !== step.key) item.querySelector(".record").textContent = step.take ? "Record it again" : "Record";
    const heard = item.querySelector(".heard");
    heard.replaceChildren();
    if (step.take) heard.append(make("p", `Taken: ${step.take}${step.log ? ", with its breath log" : ""}`, "taken"));
    for (const note of step.heard) heard.append(make("p", `${note.note}, register ${note.register}: ${note.readings.map((r) => `${r.title} ${figure(r)}`).join("; ")}`));
    for (const word of step.warnings) heard.append(make("p", word, "help"));
  }
}

function figure(r) {
  const digits = r.sigma >= 2 ? 0 : r.sigma >= 0.2 ? 1 : 3;
  return `${r.value.toFixed(digits).replace("-", "\u2212")} \u00b1 ${r.sigma.toFixed(Math.max(digits, 1))} ${r.unit}`;
}

async function press(step, item) {
  const button = item.querySelector(".record");
  if (taking) {
    if (taking.step !== step.key) throw new Error("Another step is being recorded: end that one first.");
    const take = taking.take.stop();
    taking = null;
    button.setAttribute("aria-pressed", "false");
    button.textContent = "Record it again";
    item.querySelector(".level").textContent = troubles(take).join(" ");
    if (take.silent) return;
    at("mic").textContent = "Hearing it ...";
    await send(`${api}/recording?step=${step.key}&name=${encodeURIComponent(`${step.key}.wav`)}`, take.sound);
    at("mic").textContent = "";
    await look();
    return;
  }
  const level = item.querySelector(".level");
  const take = await record(({ seconds, level: db, clipped }) => {
    level.textContent = `${seconds.toFixed(0)} s, peak ${db.toFixed(0)} dB of full scale${clipped ? ": overdriven, turn the microphone down" : ""}`;
  });
  taking = { step: step.key, take };
  button.setAttribute("aria-pressed", "true");
  button.textContent = "Stop";
}

function drawTyped() {
  const form = at("other");
  if (!form.note.options.length) {
    for (const [note, register] of state.notes) form.note.add(new Option(`${note}, register ${register}`, `${note} ${register}`));
    for (const q of state.quantities) form.quantity.add(new Option(`${q.title}, ${q.unit}`, q.key));
  }
  const list = at("typed");
  list.replaceChildren();
  const titles = Object.fromEntries(state.quantities.map((q) => [q.key, q]));
  for (const one of state.typed) {
    const item = make("li", `${one.note}, register ${one.register}: ${titles[one.quantity].title} ${one.value.toFixed(1)} ${titles[one.quantity].unit} `);
    const back = make("button", "take back");
    back.type = "button";
    back.addEventListener("click", guarded(() => keep(one.note, one.register, one.quantity, null)));
    item.append(back);
    list.append(item);
  }
}

function drawBeside() {
  const choice = at("beside");
  const wanted = choice.value;
  choice.replaceChildren(new Option("the one before", ""));
  for (const t of [...state.trials].reverse()) choice.add(new Option(`event ${t.event}: ${t.notes} notes${t.good ? ", good" : ""}${t.body ? `, on ${t.body}` : ""}`, String(t.event)));
  choice.value = [...choice.options].some((o) => o.value === wanted) ? wanted : "";
  at("picture").innerHTML = state.picture;
  if (!state.picture) at("picture").replaceChildren(make("p", "Nothing to draw yet.", "help"));
  const body = at("shifts").tBodies[0];
  body.replaceChildren();
  for (const s of [...state.shifts].sort((a, b) => Number(b.sure) - Number(a.sure))) {
    const row = body.insertRow();
    cell(row, `${s.note} register ${s.register}`);
    cell(row, s.title);
    cell(row, `${cents(s.change)} \u00b1 ${s.sigma.toFixed(1)} ${s.unit}`);
    cell(row, s.sure ? "yes" : "within what trials differ");
  }
  at("shifts").hidden = !state.shifts.length;
}

async function judge() {
  at("wrong").replaceChildren(make("p", "Computing the model's head: once a model, about half a minute; then it is kept.", "help"));
  at("do").replaceChildren();
  let told;
  try { told = await data(`${api}/advice`, {}); } catch (error) { judged = ""; at("wrong").replaceChildren(make("p", error.message)); return; }
  drawWrong(told);
  drawDo(told);
}

function table(heads) {
  const made = document.createElement("table");
  const row = made.createTHead().insertRow();
  for (const text of heads) { const head = make("th", text); head.scope = "col"; row.append(head); }
  made.createTBody();
  const box = make("div", "", "scroll");
  box.tabIndex = 0;
  box.append(made);
  return [box, made.tBodies[0]];
}

function drawWrong(told) {
  const box = at("wrong");
  box.replaceChildren();
  for (const word of told.warnings) box.append(make("p", word));
  if (!told.good_heads) box.append(make("p", "No good head of this model was tried yet: what the jet itself leaves open stays open. Tick \"This head is a good one\" on a head that you would sell.", "help"));
  const shown = told.symptoms.filter((s, i) => s.chance >= 0.3 || i === 0);
  const [symptoms, rows] = table(["symptom", "chance", "measured", "limit", "notes"]);
  for (const s of shown) {
    const row = rows.insertRow();
    cell(row, s.title);
    cell(row, percent(s.chance));
    cell(row, s.value === null ? "" : `${figure({ value: s.value, sigma: s.sigma ?? 0.1, unit: s.unit })}`);
    cell(row, `${Number(s.limit.toPrecision(3))} ${s.unit}${s.relative ? " off its model" : ""}`);
    cell(row, s.notes.join(", "));
  }
  const [causes, lines] = table(["cause", "chance", "how much", "confirm by"]);
  for (const c of told.causes.filter((one) => one.chance >= 0.02)) {
    const row = lines.insertRow();
    cell(row, c.title);
    cell(row, percent(c.chance));
    cell(row, `${c.size.toFixed(2)} \u00b1 ${c.sigma.toFixed(2)} ${c.unit}`);
    cell(row, c.confirm);
  }
  box.append(symptoms, make("h3", `Why (nothing wrong: ${percent(told.faultless)})`), causes);
}

function drawDo(told) {
  const box = at("do");
  box.replaceChildren();
  if (told.open_checks.length) box.append(make("p", `Still to exclude before anything is cut: ${told.open_checks.map((c) => c.how).join("; ")}.`, "verdict"));
  const first = told.advice.find((a) => a.gain > 0.01);
  at("next").textContent = state.waiting.length ? `Next: try the head again; ${state.waiting[0].title} waits for its outcome.` : told.open_checks.length ? `Next: exclude ${told.open_checks.map((c) => c.key).join(", ")}.` : first ? `Next: ${first.title}${first.steps === 1 ? "" : `, ${first.steps} steps`}; then try again.` : "Next: nothing; leave this head as it is.";
  // While something is still to be excluded, what excludes it comes first.
  const first5 = told.advice.filter((a) => a.gain > 0.01).slice(0, 5);
  const useful = told.open_checks.length ? [...first5.filter((a) => a.check), ...first5.filter((a) => !a.check)] : first5;
  if (!useful.length) { box.append(make("p", "No adjustment brings this head nearer to its model: leave it.", "verdict")); return; }
  const list = make("ol", "", "plan");
  for (const a of useful) list.append(adviceItem(a));
  box.append(list, make("p", "One thing at a time. Stop when two steps in a row bring no gain.", "help"));
}

function adviceItem(a) {
  const item = make("li");
  item.append(make("p", `${a.title}${a.steps === 1 ? "" : `, ${a.steps} steps`}`, "verdict"));
  item.append(make("p", `Mends ${percent(Math.max(a.gain, 0))} of what is off; better with a chance of ${percent(a.better)}; ${a.evidence}. ${a.undo ? `Undone by: ${a.undo}.` : "Cannot be undone."}${a.reasons ? ` Good for: ${a.reasons.replaceAll("-", " ")}.` : ""}`));
  if (a.caution) item.append(make("p", `Caution: ${a.caution}.`));
  item.append(make("p", `Look at afterwards: ${a.look}.`, "help"));
  if (a.habit.length) item.append(make("p", `By habit of the trade: ${a.habit.join(", ")}.`, "help"));
  if (a.forecast.length) {
    const more = document.createElement("details");
    more.append(make("summary", `Forecast: ${a.forecast.length} readings move`));
    const [grid, rows] = table(["note", "reading", "will move by"]);
    for (const f of a.forecast) { const row = rows.insertRow(); cell(row, `${f.note} register ${f.register}`); cell(row, f.title); cell(row, `${cents(f.change)} \u00b1 ${f.sigma.toFixed(1)} ${f.unit}`); }
    more.append(grid);
    item.append(more);
  }
  const row = make("div", "", "row");
  const label = make("label", "Steps made");
  const steps = document.createElement("input");
  steps.type = "number"; steps.step = "0.1"; steps.value = String(a.steps); steps.min = "-20"; steps.max = "20";
  label.append(steps);
  const done = make("button", "Done, log it");
  done.type = "button";
  done.setAttribute("aria-label", `Done, log it: ${a.title}`);
  done.addEventListener("click", guarded(async () => {
    await data(`${api}/done`, { key: a.key, steps: Number(steps.value), reason: a.reasons });
    at("mic").textContent = `${a.title}: logged with its forecast. Make the next trial; it checks the forecast.`;
    await Promise.all([look(), showSection()]);
  }));
  row.append(label, done);
  item.append(row);
  return item;
}

function drawOutcomes() {
  const box = at("outcomes");
  box.replaceChildren();
  for (const w of state.waiting) box.append(make("p", `${w.title}, ${w.steps} step${w.steps === 1 ? "" : "s"}: done, waits for the next trial.`));
  for (const o of state.outcomes) {
    const more = document.createElement("details");
    more.open = o === state.outcomes[0];
    more.append(make("summary", `${o.title}, ${o.steps} step${o.steps === 1 ? "" : "s"}: ${o.within} of ${o.readings.length} readings within two sigmas of their forecast`));
    const [grid, rows] = table(["note", "reading", "forecast", "came out", "sigmas apart"]);
    for (const r of o.readings) {
      const row = rows.insertRow();
      cell(row, `${r.note} register ${r.register}`);
      cell(row, r.title);
      cell(row, `${cents(r.forecast)} \u00b1 ${r.forecast_sigma.toFixed(1)} ${r.unit}`);
      cell(row, `${cents(r.outcome)} \u00b1 ${r.outcome_sigma.toFixed(1)}`);
      cell(row, cents(r.sigmas));
    }
    more.append(grid);
    box.append(more);
  }
  if (!box.childElementCount) box.append(make("p", "No adjustment was logged and tried again yet.", "help"));
}

let wanted = 0;
async function showSection() {
  wanted += 1;
  const mine = wanted;
  const told = await data(`${api}/section?theme=${theme()}&wide=${wide()}&place=${place}`);
  if (mine !== wanted) return;
  at("section").innerHTML = told.section;
  showPlaces(at("places"), told);
  showEffects(at("effects"), told);
}
for (const [id, kind] of [["section", "click"], ["section", "keydown"], ["places", "click"]]) {
  at(id).addEventListener(kind, guarded(async (event) => {
    const chosen = chosenPlace(event);
    if (chosen === null) return;
    place = chosen;
    at("effects").replaceChildren(make("p", "Computing what a step does ...", "help"));
    await showSection();
    at(id).querySelector(`[data-place="${place}"]`)?.focus({ preventScroll: true });
  }));
}

at("temperature").addEventListener("change", guarded(() => settle({ temperature_c: at("temperature").value === "" ? state.design_temperature_c : Number(at("temperature").value) })));
at("body").addEventListener("change", guarded(() => settle({ body: at("body").value })));
at("good").addEventListener("change", guarded(() => settle({ good: at("good").checked })));
at("unit").value = localStorage.getItem("breath unit") ?? "Pa";
at("unit").addEventListener("change", () => { localStorage.setItem("breath unit", at("unit").value); drawSteps(); });
at("beside").addEventListener("change", guarded(look));
at("other").addEventListener("submit", (event) => {
  event.preventDefault();
  const form = event.target;
  const [note, register] = form.note.value.split(" ");
  guarded(async () => { await keep(note, Number(register), form.quantity.value, Number(form.value.value)); form.value.value = ""; })();
});
at("finish").addEventListener("click", guarded(async () => { await data(`${api}/finish`, {}); await look(); at("wronghead").scrollIntoView({ block: "start" }); }));
twice(at("throw-away"), () => "Really throw the trial away? Press again", () => JSON.stringify(state.steps.map((s) => s.take)), async () => { await data(`${api}/throw-away`, {}); await look(); });
document.addEventListener("theme", guarded(async () => { await look(); await showSection(); }));
connect(page.dataset.serial, { opened: () => quiet(look)(), news: (told) => { if (told.changed) quiet(look)(); } });
quiet(showSection)();
quiet(() => ask(`${api}/warm-up`, {}))();
ready();
