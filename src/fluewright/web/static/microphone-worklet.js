// Collects the microphone's samples into frames and hands them over without copying.
class Frames extends AudioWorkletProcessor {
  constructor() { super(); this.frame = new Float32Array(2048); this.filled = 0; }
  process(inputs) {
    const channels = inputs[0];
    if (!channels.length) return true;
    const n = channels[0].length;
    for (let i = 0; i < n; i += 1) {
      let sum = 0;
      for (const channel of channels) sum += channel[i];
      this.frame[this.filled] = sum / channels.length;
      this.filled += 1;
      if (this.filled === this.frame.length) {
        this.port.postMessage(this.frame.buffer, [this.frame.buffer]);
        this.frame = new Float32Array(2048);
        this.filled = 0;
      }
    }
    return true;
  }
}
registerProcessor("frames", Frames);
