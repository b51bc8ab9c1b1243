// The device's microphone as frames; says in plain words what is wrong with it and what mends it.
const words = {
  NotAllowedError: "The browser was not allowed to use the microphone. Allow it for this page (the sign beside the address), then press Listen again; or use a recording.",
  NotFoundError: "This device has no microphone. Plug one in, then press Listen again; or use a recording.",
  NotReadableError: "Another program keeps the microphone for itself. Close it, then press Listen again.",
};

export async function open(onFrame) {
  if (!navigator.mediaDevices) throw new Error("The browser gives no microphone to this address. Open https:// (serve --lan), or 127.0.0.1 on the computer itself; or use a recording.");
  let stream;
  try {
    stream = await navigator.mediaDevices.getUserMedia({ audio: { echoCancellation: false, noiseSuppression: false, autoGainControl: false } });
  } catch (error) {
    throw new Error(words[error.name] ?? `The microphone cannot be used (${error.name}). Use a recording instead.`);
  }
  const context = new AudioContext();
  await context.audioWorklet.addModule("/static/microphone-worklet.js");
  const node = new AudioWorkletNode(context, "frames", { numberOfOutputs: 0 });
  node.port.onmessage = (event) => onFrame(event.data);
  context.createMediaStreamSource(stream).connect(node);
  await context.resume();
  const track = stream.getAudioTracks()[0];
  return {
    rate: context.sampleRate,
    settings: track.getSettings(),
    close() { track.stop(); context.close(); },
    ended(work) { track.addEventListener("ended", work); },
  };
}
