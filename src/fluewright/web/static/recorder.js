// Takes a recording of the device's microphone as a WAV, for a step of a trial or for the bench.
import { open } from "/static/microphone.js";

const LONGEST_S = 120;

function wav(frames, rate) {
  const count = frames.reduce((sum, frame) => sum + frame.length, 0);
  const bytes = new ArrayBuffer(58 + 4 * count);
  const view = new DataView(bytes);
  const text = (place, letters) => [...letters].forEach((letter, i) => view.setUint8(place + i, letter.charCodeAt(0)));
  text(0, "RIFF"); view.setUint32(4, 50 + 4 * count, true); text(8, "WAVEfmt ");
  view.setUint32(16, 18, true); view.setUint16(20, 3, true); view.setUint16(22, 1, true);
  view.setUint32(24, rate, true); view.setUint32(28, 4 * rate, true); view.setUint16(32, 4, true); view.setUint16(34, 32, true);
  text(38, "fact"); view.setUint32(42, 4, true); view.setUint32(46, count, true);
  text(50, "data"); view.setUint32(54, 4 * count, true);
  let place = 58;
  for (const frame of frames) for (const sample of frame) { view.setFloat32(place, sample, true); place += 4; }
  return new Blob([bytes], { type: "audio/wav" });
}

// Begins to record; `says` is told the seconds, the level in dB of full scale and whether it clips. Returns `stop`.
export async function record(says) {
  const frames = [];
  let samples = 0;
  let clipped = 0;
  let loudest = 0;
  const microphone = await open((buffer) => {
    const frame = new Float32Array(buffer);
    let peak = 0;
    for (const sample of frame) peak = Math.max(peak, Math.abs(sample));
    if (peak > 0.999) clipped += 1;
    loudest = Math.max(loudest, peak);
    samples += frame.length;
    if (samples / microphone.rate > LONGEST_S) return;
    frames.push(frame);
    says({ seconds: samples / microphone.rate, level: 20 * Math.log10(Math.max(peak, 1e-6)), clipped });
  });
  return {
    stop() {
      microphone.close();
      return { sound: wav(frames, microphone.rate), seconds: samples / microphone.rate, clipped, silent: loudest < 1e-4 };
    },
  };
}

export const troubles = (take) => [
  take.silent && "Nothing came from the microphone: is it the right one, and is its level up? (The system's sound settings.)",
  take.clipped > 2 && "The microphone was overdriven: turn its level down or step back, then take this again.",
  take.seconds > LONGEST_S && `Only the first ${LONGEST_S} seconds were kept.`,
].filter(Boolean);
