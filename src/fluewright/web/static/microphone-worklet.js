// Collects the microphone's samples into frames and hands over a copy of each, with its loudest sample. A copy: a frame that
// is given away leaves its shell behind, which browsers clear up here so seldom that half an hour of them is 20 MB.
// Of several channels the strongest is taken, never their mean: a lead with one signal in opposite senses would cancel,
// an input with the microphone on one side would lose half of it.
const LOUDER = 4;
class Frames extends AudioWorkletProcessor {
  constructor() { super(); this.frame = new Float32Array(2048); this.filled = 0; this.peak = 0; this.power = []; this.taken = 0; }
  strongest(channels) {
    if (channels.length === 1) return channels[0];
    for (let c = 0; c < channels.length; c += 1) {
      let sum = 0;
      for (const sample of channels[c]) sum += sample * sample;
      const before = this.power[c] ?? 0;
      // Over about a third of a second, so that no note is put together from two channels.
      this.power[c] = before + (sum - before) * 0.01;
    }
    for (let c = 0; c < channels.length; c += 1) {
      if (this.power[c] > LOUDER * (this.power[this.taken] ?? 0)) this.taken = c;
    }
    return channels[Math.min(this.taken, channels.length - 1)];
  }
  process(inputs) {
    const channels = inputs[0];
    if (!channels.length) return true;
    for (const sample of this.strongest(channels)) {
      this.frame[this.filled] = sample;
      this.filled += 1;
      this.peak = Math.max(this.peak, Math.abs(sample));
      if (this.filled === this.frame.length) {
        this.port.postMessage({ sound: this.frame.buffer, peak: this.peak });
        this.filled = 0;
        this.peak = 0;
      }
    }
    return true;
  }
}
registerProcessor("frames", Frames);
