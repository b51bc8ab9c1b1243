"""Prints how memory and answers hold while the bench listens for half an hour: program and Debian's browser together.

A scale of thirteen notes is played over and over into the browser's fake microphone; every note is ticked. Every 15 s
the memory of the program and of the browser's page processes is read, the page's own heap after it was made to throw
away what it no longer needs, and how long the bench's data takes. ``--minutes 30`` is the run that ``live_run.json``
holds; ``--out FILE`` puts the figures elsewhere.

The browser is told what to do by three words of its own tools and by nothing else: whoever records its requests makes
its page processes keep up to 100 MB of answers, which looks like a leak.
"""

import argparse
import json
import os
import platform
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from websockets.sync.client import ClientConnection, connect

from fluewright import __version__
from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import resonances
from fluewright.demo.sound import play
from fluewright.instrument.starting import load

EVERY_S = 15.0
# Until here caches fill and code is compiled; the slope is taken from what comes after.
SETTLED_MIN = 5.0
ROWS_MIN = (2, 5, 10, 20, 30)
SLOPES = {
    "program_mb": "program, resident memory",
    "page_processes_mb": "the browser's page processes, resident memory",
    "heap_mb": "the page's heap after throwing away",
}


def scale(path: Path) -> None:
    """Write the thirteen notes of d5-cylinder 15 cents flat: what the browser takes for its microphone."""
    network = build_network(load("d5-cylinder"))
    hz = resonances(network).frequencies_hz
    main = [i for i, f in enumerate(network.fingerings) if f.alternative == 0]
    sound = play((hz[main] * 2.0 ** (-15.0 / 1200.0)).tolist(), note_s=0.5, rng=np.random.default_rng(1))
    # The browser takes a 24-bit file for silence.
    soundfile.write(path, np.concatenate([np.zeros(11025), sound, np.zeros(22050)]), 44100, subtype="PCM_16")


@contextmanager
def program(ledger: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Run the program on a ledger and a port of its own; give its process and its address."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    words = ["serve", "--ledger", str(ledger), "--port", str(port)]
    process = subprocess.Popen(
        [sys.executable, "-c", "from fluewright.cli import main; main()", *words], stdout=subprocess.PIPE, text=True
    )
    try:
        while process.poll() is None:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.05)
        yield process, f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait()


class Tools:
    """One page of the browser by its tools' socket."""

    def __init__(self, line: ClientConnection) -> None:
        self._line = line
        self._asked = 0

    def do(self, method: str, **given: Any) -> dict[str, Any]:
        """Return what a method gives."""
        self._asked += 1
        self._line.send(json.dumps({"id": self._asked, "method": method, "params": given}))
        while True:
            told = json.loads(self._line.recv(timeout=60.0))
            if told.get("id") == self._asked:
                assert "error" not in told, told
                return told.get("result", {})

    def value(self, expression: str) -> Any:
        """Return what an expression is worth in the page, as if a person had asked for it."""
        found = self.do("Runtime.evaluate", expression=expression, userGesture=True, returnByValue=True)
        assert "exceptionDetails" not in found, found
        return found["result"].get("value")

    def wait_for(self, expression: str) -> None:
        """Wait until an expression is true."""
        for _ in range(600):
            if self.value(expression):
                return
            time.sleep(0.1)
        raise AssertionError(f"never true: {expression}")


def begin_piece(base: str) -> str:
    """Begin a d5-cylinder and return the address of its bench."""
    words = json.dumps({"model": "d5-cylinder", "prefix": "D5"}).encode()
    with urllib.request.urlopen(urllib.request.Request(f"{base}/api/bench", words, {"origin": base})) as answer:
        return f"{base}/bench/{json.loads(answer.read())['serial']}"


@contextmanager
def browser(address: str, wav: Path, folder: Path) -> Iterator[Tools]:
    """Open a page in Debian's browser, with a file for a microphone."""
    program_file = shutil.which("chromium")
    assert program_file, "Debian's chromium is missing; setup.sh dev installs it"
    process = subprocess.Popen(
        [program_file, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync", "--window-size=1280,900",
         "--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream",
         f"--use-file-for-fake-audio-capture={wav}", f"--user-data-dir={folder / 'profile'}",
         "--remote-debugging-port=0", address],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        told = folder / "profile" / "DevToolsActivePort"
        while not told.exists() or not told.read_text().strip():
            assert process.poll() is None, "the browser did not start"
            time.sleep(0.1)
        port = told.read_text().split()[0]
        page = None
        while page is None:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/json") as answer:
                page = next((p for p in json.loads(answer.read()) if p["type"] == "page"), None)
        with connect(page["webSocketDebuggerUrl"], max_size=None, ping_interval=None) as line:
            yield Tools(line)
    finally:
        process.terminate()
        process.wait()


def memory_mb(pid: int) -> float:
    """Return the resident memory of a process; 0 when it has gone."""
    try:
        for line in Path(f"/proc/{pid}/status").read_text().splitlines():
            if line.startswith("VmRSS:"):
                return int(line.split()[1]) / 1024.0
    except OSError:
        pass
    return 0.0


def busy_s(pid: int) -> float:
    """Return the time that a process has spent on the processors."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def page_processes() -> list[int]:
    """Return the page processes of the browser that this script started."""
    parents: dict[int, int] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                parents[int(entry.name)] = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            except OSError:
                continue

    def ours(pid: int) -> bool:
        while pid > 1:
            pid = parents.get(pid, 0)
            if pid == os.getpid():
                return True
        return False

    found = []
    for pid in parents:
        try:
            words = Path(f"/proc/{pid}/cmdline").read_bytes()
        except OSError:
            continue
        if b"--type=renderer" in words and ours(pid):
            found.append(pid)
    return found


def answer_ms(base: str) -> tuple[float, dict[str, Any]]:
    """Return how long the bench's data takes, the middle of five, and the data."""
    taken, state = [], {}
    for _ in range(5):
        begin = time.perf_counter()
        with urllib.request.urlopen(f"{base}/api/bench/D5-0001") as answer:
            state = json.loads(answer.read())
        taken.append(1000.0 * (time.perf_counter() - begin))
    return statistics.median(taken), state


def look(base: str, server: int, tools: Tools) -> dict[str, float]:
    """Return one sample."""
    pids = page_processes()
    pages_mb = sum(memory_mb(p) for p in pids)
    program_mb = memory_mb(server)
    tools.do("HeapProfiler.collectGarbage")
    metrics = {m["name"]: m["value"] for m in tools.do("Performance.getMetrics")["metrics"]}
    took_ms, state = answer_ms(base)
    return {
        "program_mb": program_mb,
        "page_processes_mb": pages_mb,
        "page_processes": len(pids),
        "heap_mb": metrics["JSHeapUsedSize"] / 1024.0**2,
        "nodes": metrics["Nodes"],
        "event_listeners": metrics["JSEventListeners"],
        "ticks": sum(n["plays"] for n in state["notes"]),
        "bench_data_ms": took_ms,
        "program_busy_s": busy_s(server),
    }


def slopes(samples: list[dict[str, float]]) -> dict[str, float | None]:
    """Return MB an hour by least squares over what comes after the first minutes; None where that is too little."""
    late = [s for s in samples if s["minutes"] >= SETTLED_MIN]
    if len(late) < 4:
        return dict.fromkeys(SLOPES)
    hours = [s["minutes"] / 60.0 for s in late]
    return {key: round(float(np.polyfit(hours, [s[key] for s in late], 1)[0]), 2) for key in SLOPES}


def measure(minutes: float) -> dict[str, Any]:
    """Run it and return every sample, times in minutes from the first frame of sound on."""
    samples: list[dict[str, float]] = []
    with tempfile.TemporaryDirectory() as folder:
        wav = Path(folder) / "scale.wav"
        scale(wav)
        with (
            program(Path(folder) / "shop.ledger") as (server, base),
            browser(begin_piece(base), wav, Path(folder)) as tools,
        ):
            tools.do("Performance.enable")
            tools.wait_for("document.querySelector('#chart svg') !== null")
            tools.value("document.getElementById('listen').click()")
            tools.wait_for("document.getElementById('listen').getAttribute('aria-pressed') === 'true'")
            begin = time.monotonic()
            while not samples or samples[-1]["minutes"] < minutes:
                time.sleep(max(begin + EVERY_S * (len(samples) + 1) - time.monotonic(), 0.0))
                at = (time.monotonic() - begin) / 60.0
                samples.append({"minutes": round(at, 3)} | look(base, server.pid, tools))
                print(json.dumps(samples[-1]), file=sys.stderr, flush=True)
                # A page that says what is wrong has not been listening rightly.
                assert tools.value("document.getElementById('fault').hidden"), tools.value(
                    "document.getElementById('fault').textContent"
                )
    for before, sample in zip([None, *samples], samples, strict=False):
        since_min = sample["minutes"] - (before["minutes"] if before else 0.0)
        came = sample["ticks"] - (before["ticks"] if before else 0.0)
        sample["ticks_a_minute"] = round(came / since_min, 1)
        sample["program_busy_percent"] = (
            round(100.0 * (sample["program_busy_s"] - before["program_busy_s"]) / (60.0 * since_min), 1)
            if before
            else None
        )
    return {
        "version": __version__,
        "machine": f"{platform.machine()}, {os.cpu_count()} processors",
        "minutes": minutes,
        "slopes_mb_an_hour": slopes(samples),
        "samples": [{k: round(v, 3) if isinstance(v, float) else v for k, v in s.items()} for s in samples],
    }


def table(run: dict[str, Any]) -> list[tuple[str, ...]]:
    """Return the rows of the table: at some minutes, then how memory grows."""
    rows: list[tuple[str, ...]] = []
    for at in ROWS_MIN:
        if at > run["minutes"] + 0.1:
            continue
        s = min(run["samples"], key=lambda sample: abs(sample["minutes"] - at))
        rows.append(
            (
                f"{at}", f"{s['ticks']:.0f}", f"{s['program_mb']:.0f}", f"{s['page_processes_mb']:.0f}",
                f"{s['heap_mb']:.2f}", f"{s['bench_data_ms']:.0f}", f"{s['program_busy_percent'] or 0:.0f}",
            )
        )  # fmt: skip
    return rows


HEAD = (
    "minutes", "notes ticked", "program, MB", "page processes, MB", "page's heap, MB", "bench's data, ms",
    "program busy, % of a processor",
)  # fmt: skip


def print_run(run: dict[str, Any]) -> None:
    """Print a run as a table."""
    print("\n### Half an hour at the bench\n")
    for row in (HEAD, ("---",) * len(HEAD), *table(run)):
        print(f"| {' | '.join(row)} |")
    print()
    for key, what in SLOPES.items():
        slope = run["slopes_mb_an_hour"][key]
        print(f"- {what}: {'run too short' if slope is None else f'{slope:+.1f} MB an hour'} after {SETTLED_MIN:g} min")


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--minutes", type=float, default=30.0)
    words.add_argument("--out", type=Path, default=Path(__file__).with_suffix(".json"))
    given = words.parse_args()
    run = measure(given.minutes)
    given.out.write_text(json.dumps(run, indent=1) + "\n")
    print_run(run)


if __name__ == "__main__":
    main()
