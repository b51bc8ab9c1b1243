// The device's microphone as frames; says in plain words what is wrong with it and what mends it.
const words = {
  NotAllowedError: "The browser was not allowed to use the microphone. Allow it for this page (the sign beside the address), and for the browser in the system's settings, then press Listen again; or use a recording.",
  NotFoundError: "This device has no microphone. Plug one in, then press Listen again; or use a recording.",
  NotReadableError: "Another program keeps the microphone for itself, or the system does not let the browser have it. Close the other program, then press Listen again; or use a recording.",
};
const silent = "Nothing comes from the microphone: is it the right one, and is its level up? (The system's sound settings.)";
const faint = "Only faint sound has come from the microphone so far. Go nearer, or turn its level up in the system's sound settings.";
const cut = "The microphone is overdriven: the loudest sound is cut off. Go farther away, or turn its level down in the system's sound settings. Pitch is right, hiss and level are not.";

// Against full scale: -75 dB is less than any room gives, -46 dB less than a flute at a few metres.
const NOTHING = 10 ** (-75 / 20), FAINT = 10 ** (-46 / 20), FULL = 0.98;
const SILENT_MS = 4000, FAINT_MS = 6000, CUT_MS = 5000;
// A knock on the bench may reach full scale in a frame or two; a note does so in many.
const CUT_FRAMES = 5;
// As the program asks: slower than this and high notes are not heard rightly.
const SLOWEST_HZ = 16000, FASTEST_HZ = 192000;

// Looks at the loudest sample of every frame; says what is wrong, and "" when it is right again.
function watch(says) {
  const begun = performance.now();
  let sounded = begun, loudest = 0, full = [], said = "";
  return (peak) => {
    const now = performance.now();
    if (peak > NOTHING) sounded = now;
    loudest = Math.max(loudest, peak);
    if (peak >= FULL) full.push(now);
    full = full.filter((at) => now - at < CUT_MS);
    let wrong = "";
    if (now - sounded > SILENT_MS) wrong = silent;
    else if (full.length >= CUT_FRAMES) wrong = cut;
    else if (loudest < FAINT && now - begun > FAINT_MS) wrong = faint;
    if (wrong !== said) says(wrong);
    said = wrong;
  };
}

// A phone that puts out its screen puts out its microphone too; where it cannot be kept awake it goes on without.
function stayAwake() {
  let lock = null, over = false;
  const ask = async () => {
    try {
      if (!over && document.visibilityState === "visible") lock = await navigator.wakeLock?.request("screen");
    } catch { /* a low battery, or a browser that has none */ }
    if (over) lock?.release();
  };
  document.addEventListener("visibilitychange", ask);
  ask();
  return () => { over = true; document.removeEventListener("visibilitychange", ask); lock?.release(); };
}

// Frames go to onFrame; onLevel is told what is wrong with the level while it listens, and "" when nothing is.
export async function open(onFrame, onLevel = () => {}) {
  if (!navigator.mediaDevices) throw new Error("The browser gives no microphone to this address. Open https:// (serve --lan), or 127.0.0.1 on the computer itself; or use a recording.");
  let stream;
  try {
    stream = await navigator.mediaDevices.getUserMedia({ audio: { echoCancellation: false, noiseSuppression: false, autoGainControl: false } });
  } catch (error) {
    throw new Error(words[error.name] ?? `The microphone cannot be used (${error.name}). Plug it in anew or choose another, then press Listen again; or use a recording.`);
  }
  const track = stream.getAudioTracks()[0];
  let context;
  try {
    context = new AudioContext();
    const rate = context.sampleRate;
    if (rate < SLOWEST_HZ || rate > FASTEST_HZ) throw new Error(`The browser hears ${rate} samples a second; ${SLOWEST_HZ} to ${FASTEST_HZ} can be used. A wireless headset does that while it is used for talking: take it off, or choose another input and output in the system's sound settings, then press Listen again; or use a recording.`);
    await context.audioWorklet.addModule("/static/microphone-worklet.js");
    const node = new AudioWorkletNode(context, "frames", { numberOfOutputs: 0 });
    const level = watch(onLevel);
    node.port.onmessage = (event) => { onFrame(event.data.sound); level(event.data.peak); };
    context.createMediaStreamSource(stream).connect(node);
    await context.resume();
  } catch (error) {
    // Nothing may go on listening unseen.
    track.stop();
    context?.close();
    throw error;
  }
  const sleep = stayAwake();
  return {
    rate: context.sampleRate,
    settings: track.getSettings(),
    close() { track.stop(); sleep(); context.close(); },
    ended(work) { track.addEventListener("ended", work); },
  };
}
