"""Writers are killed at any moment, and many work at once: nothing that was acknowledged is lost."""

import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from attack.lost import losses
from attack.registry import Effort, Finding, part

_WRITER = Path(__file__).with_name("ledger_writer.py")
_READER = Path(__file__).with_name("ledger_reader.py")
_KILLS_A_LEDGER = 25
_SLOWEST_P95_S = 0.5


@part("kills", quick=0.04)
def kills(effort: Effort) -> list[Finding]:
    """Kill a writer (SIGKILL) at random moments, many times on one ledger, and look after each."""
    count, draw, bad, notes = effort.of(300, least=8), effort.random("kills"), 0, set()
    with tempfile.TemporaryDirectory() as name, _Nursery(Path(name) / "shop.ledger") as nursery:
        said: list[str] = []
        for number in range(count):
            shop = f"shop-{number // _KILLS_A_LEDGER}"
            if number % _KILLS_A_LEDGER == 0:
                (Path(name) / shop).mkdir()
                said = []
            said += nursery.killed_writer(shop, draw.uniform(0.0, 0.15))
            lost = losses(Path(name) / shop / "shop.ledger", said)
            bad += bool(lost)
            notes |= set(lost[:1])
    return [Finding("kills of a writer", count, bad, "; ".join(sorted(notes))[:400])]


class _Nursery:
    """A program that forks writers, so that 300 of them need not load the libraries 300 times."""

    def __init__(self, path: Path) -> None:
        self._program = subprocess.Popen(
            [sys.executable, _WRITER, "nursery", path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def __enter__(self) -> "_Nursery":
        return self

    def __exit__(self, *error: object) -> None:
        self._program.stdin.close()
        self._program.wait(60)
        self._program.stdout.close()

    def killed_writer(self, shop: str, after_s: float) -> list[str]:
        """Let a writer begin in a folder, kill it some seconds after its first word, and return its lines."""
        self._program.stdin.write(shop + "\n")
        self._program.stdin.flush()
        pid, lines = 0, []
        while True:
            words = self._program.stdout.readline().split()
            if not words or words[0] == "ended":
                return lines
            if words[0] == "pid":
                pid = int(words[1])
                continue
            lines.append(" ".join(words))
            if words[0] == "begun":
                time.sleep(after_s)
                os.kill(pid, signal.SIGKILL)


@part("crowd", quick=0.02)
def crowd(effort: Effort) -> list[Finding]:
    """Two writers and four readers for three minutes: nothing lost, no lock in the way, writes stay quick."""
    seconds = max(180.0 * effort.share, 3.0)
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "shop.ledger"
        writers = [_started(_WRITER, path, f"bench {k}", seconds, 1_000_000) for k in range(2)]
        readers = [_started(_READER, path, seconds) for _ in range(4)]
        said = [program.communicate(timeout=seconds + 300)[0].splitlines() for program in writers]
        read = [program.communicate(timeout=300)[0].splitlines() for program in readers]
        lost = losses(path, [line for lines in said for line in lines])
    ended = sum(program.returncode != 0 for program in (*writers, *readers))
    took = sorted(
        float(line.split()[3]) for lines in said for line in lines if line.startswith("event") and line[-2:] != " 0"
    )
    p95 = took[int(0.95 * (len(took) - 1))] if took else float("inf")
    faults = [line for lines in read for line in lines if line.startswith("fault")]
    looks = sum(int(line.split()[1]) for lines in read for line in lines if line.startswith("looks"))
    return [
        Finding("events written by two programs", sum(map(len, said)), len(lost), "; ".join(lost[:3])),
        Finding("looks of four readers", looks, len(faults), "; ".join(faults[:3])[:300]),
        Finding("programs that came to their end", 6, ended),
        Finding("p95 of a write under 0.5 s", len(took), int(p95 >= _SLOWEST_P95_S), f"{1e3 * p95:.0f} ms"),
    ]


def _started(program: Path, *arguments: object) -> "subprocess.Popen[str]":
    return subprocess.Popen([sys.executable, program, *map(str, arguments)], stdout=subprocess.PIPE, text=True)
