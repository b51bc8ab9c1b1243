"""Prints how late a pitch is shown after its sound came into the browser, onset by onset, in Debian's browser.

A tone begins again and again after silence, at times that have nothing to do with the frames. The first sample of each
is stamped where the browser hands sound to the page (its audio thread); the page's text is watched until it names the
note, and the picture after that. The browser hands sound over in bursts; the stamp is therefore the sample's own time
on the clock of the sound, set against the computer's clock by the block that was least late. What lies before, the
microphone's own buffers, is not in it: 10 to 30 ms on usual devices. ``--devices 8`` lets others look on meanwhile,
which take and fetch what their pages would, without drawing it on this machine.
"""

import argparse
import json
import multiprocessing
import shutil
import tempfile
import urllib.request
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from playwright.sync_api import Page, sync_playwright
from websockets.sync.client import connect

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import resonances
from fluewright.instrument.starting import load
from live_run import program

ONSETS = 40
TONE_S, LEAST_QUIET_S, MOST_QUIET_S = 0.6, 0.8, 1.1
NOTE = "G5"
ASKED_MS = 120.0

# Beside the page's own processor: stamps the first sample that stands out after quiet, on the clock of the computer.
STAMPS = """
class Stamped extends Frames {
  process(inputs) {
    const channel = inputs[0][0];
    // How far the computer's clock is ahead of the sound's, at the least: what is more is waiting.
    this.ahead = Math.min(this.ahead ?? Infinity, Date.now() - 1000 * (currentTime + 128 / sampleRate));
    for (let i = 0; channel && i < channel.length; i += 1) {
      if (Math.abs(channel[i]) > 0.02) {
        if (this.quiet > 0.3 * sampleRate) {
          this.port.postMessage({ onset: Date.now(), sound: 1000 * (currentTime + i / sampleRate) + this.ahead });
        }
        this.quiet = 0;
      } else this.quiet = (this.quiet ?? 0) + 1;
    }
    return super.process(inputs);
  }
}
registerProcessor("frames", Stamped);
"""

# In the page: keeps the stamps from its own code, and watches the note's name and the next picture.
WATCH = """
window.onsets = []; window.frames_sent = []; window.shown = [];
const now = () => performance.timeOrigin + performance.now();
const plain = window.AudioWorkletNode;
window.AudioWorkletNode = class extends plain {
  constructor(...given) {
    super(...given);
    this.port.addEventListener("message", (event) => {
      if (event.data.onset) { window.onsets.push(event.data); event.stopImmediatePropagation(); }
    });
  }
};
const send = WebSocket.prototype.send;
WebSocket.prototype.send = function (data) {
  if (typeof data !== "string") window.frames_sent.push(now());
  return send.call(this, data);
};
const last = 'registerProcessor("frames", Frames);';
const add = AudioWorklet.prototype.addModule;
AudioWorklet.prototype.addModule = async function (path) {
  const code = await (await fetch(path)).text();
  if (!code.includes(last)) throw new Error("the page's processor is another than this was written for");
  return add.call(this, URL.createObjectURL(new Blob([code.replace(last, STAMPS)], { type: "text/javascript" })));
};
document.addEventListener("DOMContentLoaded", () => {
  const note = document.getElementById("now-note");
  if (!note) return;
  new MutationObserver(() => {
    const one = { at: now(), says: note.textContent };
    window.shown.push(one);
    requestAnimationFrame(() => { setTimeout(() => { one.painted = now(); }, 0); });
  }).observe(note, { childList: true, characterData: true, subtree: true });
});
"""


def tones(path: Path) -> None:
    """Write the tones, each after a quiet of its own length, in a room's noise."""
    rng = np.random.default_rng(1)
    network = build_network(load("d5-cylinder"))
    hz = next(
        float(h) for f, h in zip(network.fingerings, resonances(network).frequencies_hz, strict=True) if f.note == NOTE
    )
    t = np.arange(round(TONE_S * 44100)) / 44100.0
    tone = 0.3 * np.sin(2 * np.pi * hz * t + 0.5 * np.pi) + 0.1 * np.sin(4 * np.pi * hz * t)
    tone *= np.minimum(1.0, np.minimum(t / 0.005, (TONE_S - t) / 0.02))
    pieces = []
    for _ in range(ONSETS + 2):
        pieces += [np.zeros(round(rng.uniform(LEAST_QUIET_S, MOST_QUIET_S) * 44100)), tone]
    sound = np.concatenate(pieces)
    soundfile.write(path, sound + 2e-4 * rng.standard_normal(len(sound)), 44100, subtype="PCM_16")


def look_on(base: str, devices: int) -> None:
    """Do what the pages of other devices do: take all news, and fetch the bench's data for every note."""

    def one() -> None:
        with connect(f"{base.replace('http', 'ws')}/live/D5-0001", origin=base, max_size=None) as line:
            for text in line:
                if "ticked" in json.loads(text):
                    urllib.request.urlopen(f"{base}/api/bench/D5-0001").read()

    with ThreadPoolExecutor(max(devices, 1)) as pool:
        for _ in range(devices):
            pool.submit(one)


def listen(page: Page, base: str, devices: int) -> dict[str, Any]:
    """Return stamps and what was shown, ms on one clock."""
    page.add_init_script(WATCH.replace("STAMPS", json.dumps(STAMPS)))
    page.goto(f"{base}/bench")
    page.get_by_role("button", name="Begin it and play").click()
    page.wait_for_url("**/bench/D5-0001")
    page.locator("#chart svg").wait_for()
    others = multiprocessing.get_context("spawn").Process(target=look_on, args=(base, devices - 1), daemon=True)
    others.start()
    page.wait_for_timeout(2000.0)
    page.get_by_role("button", name="Listen", exact=True).click()
    page.wait_for_timeout(1000.0 * (ONSETS + 1) * (TONE_S + 0.5 * (LEAST_QUIET_S + MOST_QUIET_S)))
    others.terminate()
    others.join()
    return page.evaluate("({ onsets: window.onsets, shown: window.shown, sent: window.frames_sent })")


def measure(devices: int = 1) -> dict[str, np.ndarray]:
    """Return, for every onset, ms until the page has the sample, sends a frame, names the note and has drawn it.

    The first onset is left out: the program loads its listening with it.
    """
    with tempfile.TemporaryDirectory() as folder, program(Path(folder) / "shop.ledger") as (_, base):
        wav = Path(folder) / "tones.wav"
        tones(wav)
        with sync_playwright() as driver:
            browser = driver.chromium.launch(
                executable_path=shutil.which("chromium"),
                args=["--no-sandbox", "--disable-gpu", "--disable-background-networking",
                      "--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream",
                      f"--use-file-for-fake-audio-capture={wav}"],
            )  # fmt: skip
            # Without the page's own policy, which lets in no code but the program's: the stamps are added code.
            page = browser.new_context(
                permissions=["microphone"], viewport={"width": 1280, "height": 900}, bypass_csp=True
            ).new_page()
            told = listen(page, base, devices)
            browser.close()
    waited, sent, named, painted = [], [], [], []
    for stamps in told["onsets"][1:]:
        onset = stamps["sound"]
        after = [s for s in told["shown"] if s["at"] >= onset and s["says"] == NOTE]
        # An onset at the very end of the run has no answer yet.
        if not after or "painted" not in after[0]:
            continue
        waited.append(stamps["onset"] - onset)
        named.append(after[0]["at"] - onset)
        painted.append(after[0]["painted"] - onset)
        sent.append(min(t for t in told["sent"] if t >= onset) - onset)
    return {
        "handed over by the browser": np.array(waited),
        "frame sent": np.array(sent),
        "note named": np.array(named),
        "picture drawn": np.array(painted),
    }


def row(found: dict[str, np.ndarray], devices: int) -> tuple[str, str, str]:
    """Return the row of the table: what, measured, asked."""
    named, painted = found["note named"], found["picture drawn"]
    return (
        f"sound to pitch shown, {len(named)} onsets, {devices} device{'s' if devices > 1 else ''}: middle, 95 of 100; "
        "drawn",
        f"{np.median(named):.0f}, {np.percentile(named, 95):.0f}; {np.median(painted):.0f}, "
        f"{np.percentile(painted, 95):.0f} ms",
        f"{ASKED_MS:.0f} ms at 95",
    )


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--devices", type=int, default=1)
    given = words.parse_args()
    found = measure(given.devices)
    assert len(found["note named"]) >= 20, "too few onsets were answered"
    print("| what | measured | asked |\n| --- | --- | --- |")
    print(f"| {' | '.join(row(found, given.devices))} |")
    for what, taken in found.items():
        least, middle, high, most = np.percentile(taken, [0, 50, 95, 100])
        print(f"- {what}: {least:.0f} to {most:.0f} ms, middle {middle:.0f}, 95 of 100 within {high:.0f}")


if __name__ == "__main__":
    main()
