import { cell, cents, data, fault, guarded, quiet, send, theme, ready, twice } from "/static/common.js";
import { connect } from "/static/live.js";
import { open } from "/static/microphone.js";
import { record, troubles } from "/static/recorder.js";

const bench = document.getElementById("bench");
const serial = encodeURIComponent(bench.dataset.serial);
const at = (id) => document.getElementById(id);
let state = null;
let socket = null;
let microphone = null;
let opening = false;
let listening = "";
let shown = "";
let looking = null;
let queued = null;
// Kept when the program says that all sound which was sent before a stop was heard.
let allHeard = Promise.resolve();
let stopped = () => {};
// How late a pitch is shown after its sound was sent; every frame is answered by one.
let sent = [];
const late = [];

function axisPlace(value) {
  return `${50 + Math.max(-48, Math.min(48, (value / state.tolerance_cents) * 6))}%`;
}

// One look at a time: what is asked for meanwhile is one more look after it.
function look() {
  if (!looking) {
    looking = (async () => { state = await data(`/api/bench/${serial}?theme=${theme()}`); draw(); })();
    looking.finally(() => { looking = null; }).catch(() => {});
    return looking;
  }
  queued ??= looking.catch(() => {}).then(() => { queued = null; return look(); });
  return queued;
}

function draw() {
  at("state").textContent = `${state.state}, ${state.trials} trial${state.trials === 1 ? "" : "s"}`;
  const first = !at("chart").firstChild;
  at("chart").innerHTML = state.chart;
  // On a narrow screen the holes are what is wanted, not the head.
  if (first) at("chart").scrollLeft = at("chart").scrollWidth;
  if (document.activeElement !== at("temperature")) at("temperature").value = state.temperature_c ?? "";
  at("temperature").placeholder = String(state.design_temperature_c);
  if (document.activeElement !== at("breath")) at("breath").value = state.breath_pa ?? "";
  drawProgress();
  const body = at("notes").tBodies[0];
  // What is drawn anew keeps the keyboard's place.
  const held = body.contains(document.activeElement) ? document.activeElement.dataset.index : null;
  body.replaceChildren();
  for (const note of state.notes) {
    const row = body.insertRow();
    row.classList.toggle("ticked", note.plays > 0);
    cell(row, `${note.note} register ${note.register}`);
    cell(row, note.fingering).className = "roomy";
    cell(row, note.plays ? String(note.plays) : "");
    cell(row, cents(note.heard_cents));
    cell(row, note.cents === null ? "" : `${cents(note.cents)} \u00b1 ${note.sigma.toFixed(1)}`);
    const last = cell(row, "");
    if (note.plays) {
      const back = document.createElement("button");
      back.type = "button";
      back.dataset.index = note.index;
      back.textContent = "take back";
      back.setAttribute("aria-label", `take back the last ${note.note} of register ${note.register}`);
      back.addEventListener("click", guarded(() => act("drop", { fingering: note.index })));
      last.append(back);
    }
  }
  if (held !== null) (body.querySelector(`[data-index="${held}"]`) ?? at("notes").parentElement).focus();
  drawNext();
  if (!at("states").options.length) for (const one of state.states) at("states").add(new Option(one, one, one === state.state, one === state.state));
  at("finish").disabled = !state.notes.some((note) => note.plays);
  at("throw-away").disabled = at("finish").disabled;
}

// How far the trial is, beside what sounds: the table is far down.
function drawProgress() {
  const open = state.notes.filter((n) => !n.plays).map((n) => (n.register > 1 ? `${n.note} (register ${n.register})` : n.note));
  const done = state.notes.length - open.length;
  if (!done) { at("now-says").textContent = "Press \"Listen\" and play each note once, slowly. A note that was played well is ticked by itself."; return; }
  at("now-says").textContent = open.length ? `${done} of ${state.notes.length} notes ticked. Still to play: ${open.join(", ")}.` : `All ${done} notes are ticked: end the trial.`;
}

function drawNext() {
  const next = at("next");
  // A size that is just being typed is not thrown away because a note was ticked meanwhile.
  const fresh = JSON.stringify(state.verdict) ?? "none";
  if (fresh === shown) return;
  shown = fresh;
  const held = next.contains(document.activeElement);
  next.replaceChildren();
  const say = (text, tag = "p") => { const made = document.createElement(tag); made.textContent = text; next.append(made); return made; };
  const verdict = state.verdict;
  if (!verdict) { say("Play every note once, then end the trial. One note is enough to begin."); if (held) next.focus(); return; }
  const says = { finished: state.notes.some((n) => n.register > 1) ? "Finished: the first register is in tune." : "Finished: in tune.", leave: "Leave it.", play: "Play again before cutting.", cut: "Cut, in this order, then play every note again:" };
  say(says[verdict.state]).classList.add("verdict");
  if (verdict.plan.length) {
    const list = document.createElement("ol");
    list.className = "plan";
    for (const cut of verdict.plan) list.append(cutItem(cut));
    next.append(list);
    const last = verdict.plan[verdict.plan.length - 1];
    say(`Chance that a note of the first register ends too sharp, past the tolerance, which no cut takes back: ${(100 * last.risk).toFixed(2)} %. ${last.caution} Cut less, gauge, cut the rest.`);
  }
  if (verdict.upper_outside.length) say(`Second register, outside \u00b1${state.tolerance_cents} cents: ${verdict.upper_outside.join(", ")}. One hole cannot set two registers: bore, head and breath set the rest.`);
  for (const reason of verdict.reasons) say(reason);
  if (verdict.state !== "finished") say(`Played again, these would tell the most: ${verdict.play_next.join(", ")}.`);
  if (held) (next.querySelector("button") ?? next).focus();
}

function cutItem(cut) {
  const item = document.createElement("li");
  const whence = cut.key === "length_mm" ? " (the foot's distance from the windway's exit)" : "";
  item.textContent = `${cut.note}: ${cut.how}, from ${cut.before_mm.toFixed(2)} to ${cut.after_mm.toFixed(2)} mm${whence}, with ${cut.tool}. Mind: ${cut.lasts}.`;
  const row = document.createElement("div");
  row.className = "row";
  const label = document.createElement("label");
  label.textContent = "Gauged after the cut, mm";
  const size = document.createElement("input");
  size.type = "number"; size.step = "0.01"; size.value = cut.after_mm.toFixed(2);
  label.append(size);
  const done = document.createElement("button");
  done.type = "button";
  done.textContent = "Done, log it";
  let sure = "";
  // A button that is disabled loses the keyboard's place; one that is busy does not.
  let busy = false;
  done.addEventListener("click", guarded(async () => {
    if (busy) return;
    if (size.value === "") throw new Error("Write the size that you gauged after the cut, in mm.");
    // A slip of the finger is asked about once: far past the plan, or no cut at all.
    const planned = Math.abs(cut.after_mm - cut.before_mm);
    const odd = Math.abs(Number(size.value) - cut.after_mm) > Math.max(0.5 * planned, 0.1);
    if (odd && sure !== size.value) {
      sure = size.value;
      done.textContent = `Really ${Number(size.value).toFixed(2)} mm? Press again`;
      return;
    }
    busy = true;
    done.setAttribute("aria-disabled", "true");
    try {
      await act("cut", { key: cut.key, after_mm: Number(size.value), tool: cut.tool, reason: `${cut.note} flat` });
    } finally { busy = false; done.removeAttribute("aria-disabled"); done.textContent = "Done, log it"; sure = ""; }
  }));
  row.append(label, done);
  item.append(row);
  return item;
}

async function act(what, body = {}) {
  const answer = await data(`/api/bench/${serial}/${what}`, body);
  at("mic").textContent = (answer.warnings ?? []).join(" ");
  await look();
}

// Both hands are on the instrument: a trial may end without a touch, when every note was ticked and it is quiet.
let lastSound = 0;
let ending = false;
function endByItself() {
  if (!microphone || ending || !at("by-itself").checked || !state) return;
  if (!state.notes.every((note) => note.plays) || performance.now() - lastSound < 2000) return;
  guarded(finish)();
}

function showNow(now) {
  const mark = at("now-mark");
  const known = state && now.fingering !== null;
  at("now-note").textContent = known ? state.notes.find((n) => n.index === now.fingering)?.note ?? "-" : now.hz ? "?" : "-";
  at("now-cents").textContent = known ? `${cents(now.cents, 0)} cents` : now.hz ? `${now.hz.toFixed(0)} Hz` : "";
  mark.hidden = !known;
  if (known) mark.style.left = axisPlace(now.cents);
  if (sent.length) {
    late.push(Math.round(performance.now() - sent.shift()));
    if (late.length > 100) late.shift();
    bench.dataset.late = JSON.stringify(late);
  }
  if (now.hz) lastSound = performance.now();
  endByItself();
}

// "Listen" again, and why; the program gives out the note that is just over.
function stopListening(why = "") {
  microphone.close();
  microphone = null;
  allHeard = new Promise((done) => { stopped = done; setTimeout(done, 5000); });
  tell({ stop: true });
  at("listen").textContent = "Listen";
  at("listen").setAttribute("aria-pressed", "false");
  at("mic").textContent = why;
  showNow({ hz: null, fingering: null, cents: null, level_db: -120 });
}

// While the line is down nothing is sent; what counts is sent anew when it is back.
function tell(what) {
  if (socket?.readyState === WebSocket.OPEN) socket.send(JSON.stringify(what));
}

at("listen").addEventListener("click", guarded(async () => {
  if (microphone) { stopListening(); return; }
  // A second press while the browser still asks would open a second one.
  if (opening) return;
  opening = true;
  try {
    microphone = await open(
      (frame) => { if (socket?.readyState === WebSocket.OPEN && socket.bufferedAmount < 1e6) { socket.send(frame); sent.push(performance.now()); } },
      (wrong) => { at("mic").textContent = wrong || listening; },
    );
  } finally { opening = false; }
  tell({ rate_hz: microphone.rate });
  microphone.ended(() => stopListening("The microphone was unplugged. Plug it in and press Listen again."));
  at("listen").textContent = "Stop listening";
  at("listen").setAttribute("aria-pressed", "true");
  const set = microphone.settings;
  const treated = [["echo cancellation", set.echoCancellation], ["noise suppression", set.noiseSuppression], ["automatic level", set.autoGainControl]].filter(([, on]) => on).map(([what]) => what);
  listening = `Listening at ${microphone.rate} samples a second.${treated.length ? ` The browser still applies ${treated.join(", ")}: pitch is right, hiss and level are not.` : ""}`;
  at("mic").textContent = listening;
}));
at("next").tabIndex = -1;
async function finish() {
  if (ending) return;
  ending = true;
  try {
    // What is played from now on is the next trial's, or nobody's; what was played before still belongs to this one.
    if (microphone) stopListening();
    at("mic").textContent = "Judging the notes ...";
    await allHeard;
    try { await act("finish"); } catch (error) { at("mic").textContent = ""; await look(); throw error; }
    at("nexthead").scrollIntoView({ block: "start" });
    at("next").focus({ preventScroll: true });
  } finally { ending = false; }
}
at("finish").addEventListener("click", guarded(finish));
// Nothing brings thrown notes back: the first press asks.
const noteCount = () => state.notes.reduce((sum, note) => sum + note.plays, 0);
twice(at("throw-away"), () => `Really throw ${noteCount()} note${noteCount() === 1 ? "" : "s"} away? Press again`, noteCount, () => act("throw-away"));
async function hear(name, sound) {
  at("mic").textContent = `Hearing ${name} ...`;
  let said = "";
  try {
    const told = await send(`/api/bench/${serial}/recording?name=${encodeURIComponent(name)}`, sound);
    said = [`${name} was heard.`, ...told.warnings].join(" ");
  } finally { at("mic").textContent = said; }
  await look();
}
at("recording").addEventListener("change", guarded(async (event) => {
  const file = event.target.files[0];
  if (!file) return;
  try { await hear(file.name, file); } finally { event.target.value = ""; }
}));
let taking = null;
at("record").addEventListener("click", guarded(async () => {
  if (taking) {
    const take = taking.stop();
    taking = null;
    at("record").textContent = "Record instead";
    at("record").setAttribute("aria-pressed", "false");
    const odd = troubles(take);
    if (take.silent) { at("mic").textContent = odd.join(" "); return; }
    await hear(`${bench.dataset.serial}-take.wav`, take.sound);
    if (odd.length) at("mic").textContent += ` ${odd.join(" ")}`;
    return;
  }
  if (microphone) throw new Error("The bench is listening already: press \"Stop listening\" first, or go on playing; every note is taken as it comes.");
  taking = await record(({ seconds, level, clipped }) => {
    at("mic").textContent = `Recording, ${seconds.toFixed(0)} s, peak ${level.toFixed(0)} dB of full scale${clipped ? ": overdriven, turn the microphone down" : ""}. Play each note once, slowly; then press Stop.`;
  });
  at("record").textContent = "Stop";
  at("record").setAttribute("aria-pressed", "true");
}));
at("set-state").addEventListener("submit", (event) => {
  event.preventDefault();
  guarded(async () => {
    await act("state", Object.fromEntries(new FormData(event.target)));
    event.target.reason.value = "";
  })();
});
for (const id of ["temperature", "breath"]) {
  at(id).addEventListener("change", guarded(() => {
    const number = (field) => (field.value === "" ? null : Number(field.value));
    return act("conditions", { temperature_c: number(at("temperature")), breath_pa: number(at("breath")) });
  }));
}
at("by-itself").checked = localStorage.getItem("end by itself") === "yes";
at("by-itself").addEventListener("change", () => localStorage.setItem("end by itself", at("by-itself").checked ? "yes" : "no"));
document.addEventListener("theme", quiet(look));
connect(bench.dataset.serial, {
  opened: (made) => {
    socket = made;
    sent = [];
    if (microphone) tell({ rate_hz: microphone.rate });
    quiet(look)();
  },
  news: (told) => {
    if (told.now) showNow(told.now);
    if (told.fault) fault(told.fault);
    if (told.stopped) stopped();
    if (told.over && microphone) stopListening(told.over);
    if (told.ticked !== undefined || told.changed) quiet(look)();
  },
});
ready();
