"""Prints how quick the pages are in Debian's browser, program and browser on one machine; `make bench` runs it too."""

import json
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from playwright.sync_api import sync_playwright

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import resonances
from fluewright.instrument.starting import load
from live_run import print_run

DRAGS = 120


def tone(path: Path) -> None:
    """Write what the browser takes for its microphone: a second of quiet, a second of G5, over and over."""
    network = build_network(load("d5-cylinder"))
    hz = resonances(network).frequencies_hz[3]
    t = np.arange(44100) / 44100.0
    sound = 0.3 * np.sin(2 * np.pi * hz * t) + 0.1 * np.sin(4 * np.pi * hz * t)
    soundfile.write(path, np.concatenate([np.zeros(44100), sound]), 44100, subtype="PCM_16")


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        wav = Path(folder) / "tone.wav"
        tone(wav)
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        words = ["serve", "--ledger", f"{folder}/shop.ledger", "--port", str(port)]
        begin = time.perf_counter()
        server = subprocess.Popen(
            [sys.executable, "-c", "from fluewright.cli import main; main()", *words], stdout=subprocess.PIPE, text=True
        )
        try:
            while True:
                with socket.socket() as probe:
                    if probe.connect_ex(("127.0.0.1", port)) == 0:
                        break
                time.sleep(0.02)
            started = time.perf_counter() - begin
            rows = [("program started, answers", f"{started:.2f} s", "")]
            with sync_playwright() as play:
                browser = play.chromium.launch(
                    executable_path=shutil.which("chromium"),
                    args=["--no-sandbox", "--disable-gpu", "--use-fake-ui-for-media-stream",
                          "--use-fake-device-for-media-stream", f"--use-file-for-fake-audio-capture={wav}"],
                )  # fmt: skip
                page = browser.new_context(
                    permissions=["microphone"], viewport={"width": 1280, "height": 900}
                ).new_page()
                rows += measure(page, f"http://127.0.0.1:{port}")
                page.context.close()
                rows.append(eight_devices(browser, f"http://127.0.0.1:{port}"))
                browser.close()
        finally:
            server.kill()
            server.wait()
    print("\n### Pages\n\n| what | measured | asked |\n| --- | --- | --- |")
    for row in rows:
        print(f"| {' | '.join(row)} |")
    kept = Path(__file__).with_name("live_run.json")
    if kept.exists():
        print("\n(the next table was kept by `benchmarks/live_run.py`, half an hour; it is not measured anew)")
        print_run(json.loads(kept.read_text()))


# Keeps how long each chart took from the move to being in the page, as the page measures it; a drag begins after 3 px.
DRAWN = """() => {
  const drawn = [];
  window.drawn = drawn;
  const page = document.getElementById("model");
  new MutationObserver(() => drawn.push(Number(page.dataset.drawn))).observe(page, { attributeFilter: ["data-drawn"] });
}"""


def drag_row(page, what: str, x: float, y: float, places: list[float], pause_ms: int) -> tuple[str, str, str]:
    """Return the row of one drag in small steps along x: every chart that it makes counts."""
    page.evaluate(DRAWN)
    page.mouse.move(x, y)
    page.mouse.down()
    for place in places:
        page.mouse.move(x + place, y)
        page.wait_for_timeout(pause_ms)
    page.mouse.up()
    taken = page.evaluate("window.drawn")
    middle, high = np.percentile(taken, [50, 95])
    return (f"{what}, {len(taken)} charts: middle, 95 of 100", f"{middle:.0f}, {high:.0f} ms", "50 ms at 95")


def section_drag(page) -> list[tuple[str, str, str]]:
    """Return the row of a drag of the edge in the head's section: chart and section are drawn anew for every move."""
    grip = page.locator('#section [data-size="head.window_length_mm"]').first
    grip.scroll_into_view_if_needed()
    page.wait_for_timeout(2500)
    box = grip.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    return [drag_row(page, "drag in the head's section", x, y, [4 + 0.5 * (k % 30) for k in range(60)], 80)]


def eight_devices(browser, base: str) -> tuple[str, str, str]:
    """Return the row of eight devices at one bench, one of which listens: what each has ticked after a scale."""
    pages = []
    for _ in range(8):
        page = browser.new_context(permissions=["microphone"], viewport={"width": 700, "height": 700}).new_page()
        page.goto(f"{base}/bench/D5-0001")
        page.locator("#chart svg").wait_for()
        pages.append(page)
    pages[0].get_by_role("button", name="Listen", exact=True).click()
    pages[0].wait_for_timeout(15_000)
    pages[0].get_by_role("button", name="Stop listening").click()
    # Eight pages are drawn by this one machine: what comes late is waited for, what never comes shows.
    begin = time.perf_counter()
    while time.perf_counter() - begin < 30.0:
        came = [played(p) for p in pages]
        if set(came) == {kept(pages[0])}:
            break
        pages[0].wait_for_timeout(100)
    late = time.perf_counter() - begin
    for page in pages:
        page.context.close()
    shown = f"{' '.join(map(str, came))}; all {late:.1f} s after the stop"
    return ("eight devices at one bench, playings that each was shown", shown, "all alike")


def kept(page) -> int:
    """Return how many playings the program has kept."""
    return sum(n["plays"] for n in page.request.get(f"{page.url.replace('/bench/', '/api/bench/')}").json()["notes"])


def played(page) -> int:
    """Return how many playings a device's page shows."""
    return sum(int(t or 0) for t in page.locator("#notes tbody td:nth-child(3)").all_inner_texts())


def measure(page, base: str) -> list[tuple[str, str, str]]:
    """Return the rows of the table."""
    rows = []
    page.goto(f"{base}/bench")
    page.goto(f"{base}/models/d5-cylinder")
    page.locator("#chart svg").wait_for()
    begin = time.perf_counter()
    page.goto(f"{base}/bench")
    page.get_by_role("button", name="Begin it and play").wait_for()
    rows.append(("first page usable", f"{time.perf_counter() - begin:.2f} s", "1.5 s"))
    page.goto(f"{base}/models/d5-cylinder")
    page.locator("#chart svg").wait_for()
    page.wait_for_timeout(1000)
    # A drag in small steps: from each move to the chart that it makes, as the page itself measures it.
    hole = page.locator("#chart g.hole").nth(2).bounding_box()
    x, y = hole["x"] + hole["width"] / 2, hole["y"] + hole["height"] / 2
    rows.append(drag_row(page, "drag to new chart", x, y, [4 + 0.35 * (k % 40) for k in range(DRAGS)], 60))
    rows += section_drag(page)
    page.goto(f"{base}/bench")
    page.get_by_role("button", name="Begin it and play").click()
    page.wait_for_url("**/bench/D5-0001")
    page.get_by_role("button", name="Listen", exact=True).click()
    page.wait_for_timeout(6000)
    late = json.loads(page.locator("#bench").get_attribute("data-late") or "[]")
    if late:
        middle, high = np.percentile(late, [50, 95])
        rows.append(
            (
                f"frame sent to pitch shown, {len(late)} frames: middle, 95 of 100; a frame adds 46 ms",
                f"{middle:.0f}, {high:.0f} ms",
                "74 ms at 95 (120 less the frame)",
            )
        )
    return rows


if __name__ == "__main__":
    main()
