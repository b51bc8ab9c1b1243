"""Runs cases in processes with limits of time and memory; one that dies, hangs or swells is seen from outside."""

import multiprocessing
import os
import resource
import signal
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any, Final

from attack.registry import Finding
from fluewright.plain_text import one_line

__all__ = ["LONGEST_S", "MOST_BYTES", "Outcome", "attack_with", "each", "tally"]

LONGEST_S: Final = 10
MOST_BYTES: Final = 1 << 30
# A case that waits for something uses no processor; on a busy machine a good one may be slow by the clock.
_LONGEST_WAIT_S: Final = 12 * LONGEST_S
_BUSY = "the worker is warm"
_COLD: Final = "no good case"


@dataclass(frozen=True)
class Outcome:
    """What became of a case: ``answer`` of the function, or ``fault``: why there is none."""

    case: Any
    answer: Any = None
    fault: str = ""
    kind: str = "answered"
    seconds: float = 0.0


def each(
    function: Callable[[Any], Any],
    cases: Iterable[Any],
    *,
    warm: Any = _COLD,
    workers: int = 2,
    seconds: int = LONGEST_S,
    memory_bytes: int = MOST_BYTES,
) -> Iterator[Outcome]:
    """Yield the outcome of ``function`` for every case, in the order in which they end.

    Parameters
    ----------
    function : callable
        Of a module, so that another process finds it by name.
    cases : iterable
        Plain values.
    warm : object
        A good case, done before limits hold, so that loading and compiling count for nothing.
    workers : int
        How many processes at once.
    seconds : int
        Of the processor, a case.
    memory_bytes : int
        Address space a case may add to what the process held after the good one.
    """
    waiting = iter(cases)
    # What a worker that is ended leaves among the temporary files goes with this folder.
    left_behind = tempfile.TemporaryDirectory(prefix="fluewright-attack-", ignore_cleanup_errors=True)
    former = os.environ.get("TMPDIR")
    os.environ["TMPDIR"] = left_behind.name
    team = [_Worker(function, warm, seconds, memory_bytes) for _ in range(workers)]
    try:
        idle = list(team)
        busy: list[_Worker] = []
        done = False
        while not done or busy:
            while idle and not done:
                try:
                    case = next(waiting)
                except StopIteration:
                    done = True
                    break
                worker = idle.pop()
                worker.begin(case)
                busy.append(worker)
            for worker in [*busy]:
                outcome = worker.ended()
                if outcome is not None:
                    busy.remove(worker)
                    idle.append(worker)
                    yield outcome
            if busy:
                wait([worker.pipe for worker in busy], timeout=0.5)
    finally:
        for worker in team:
            worker.stop()
        os.environ.pop("TMPDIR")
        if former is not None:
            os.environ["TMPDIR"] = former
        left_behind.cleanup()


class _Worker:
    """One process, begun anew after each death."""

    def __init__(self, function: Callable[[Any], Any], warm: Any, seconds: int, memory_bytes: int) -> None:
        self._arguments = (function, warm, seconds, memory_bytes)
        self._start()

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        self.pipe, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs, *self._arguments), daemon=True)
        self._process.start()
        theirs.close()
        self._warm = False
        self._case: Any = None
        self._since = time.monotonic()

    def begin(self, case: Any) -> None:
        if not self._process.is_alive():
            self._start()
        self._case = case
        self._since = time.monotonic()
        self.pipe.send(case)

    def ended(self) -> Outcome | None:
        """Return the outcome when there is one; a worker that waits for nothing is ended."""
        try:
            while self.pipe.poll():
                said = self.pipe.recv()
                if said == _BUSY:
                    self._warm, self._since = True, time.monotonic()
                else:
                    return Outcome(self._case, *said)
        except (EOFError, OSError):
            return self._died()
        if self._warm and time.monotonic() - self._since > _LONGEST_WAIT_S:
            self._process.kill()
            self._process.join()
            return Outcome(self._case, fault=f"no answer in {_LONGEST_WAIT_S} s", kind="hang")
        return None

    def _died(self) -> Outcome:
        self._process.join()
        code = self._process.exitcode or 0
        if not self._warm:
            raise RuntimeError(f"a worker of the attack died before its first case (exit code {code})")
        if code == -signal.SIGXCPU:
            return Outcome(self._case, fault=f"more than {self._arguments[2]} s of the processor", kind="hang")
        name = signal.Signals(-code).name if code < 0 else f"exit code {code}"
        return Outcome(self._case, fault=f"the process died: {name}", kind="death")

    def stop(self) -> None:
        self._process.kill()
        self._process.join()
        self.pipe.close()


def _serve(pipe: Connection, function: Callable[[Any], Any], warm: Any, seconds: int, memory_bytes: int) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    warnings.simplefilter("error")  # a division by zero or an overflow that only warns is a finding too
    if warm != _COLD:
        function(warm)
    held = _address_space_bytes() + memory_bytes
    resource.setrlimit(resource.RLIMIT_AS, (held, held))
    pipe.send(_BUSY)
    while True:
        try:
            case = pipe.recv()
        except EOFError:
            return
        begin = time.process_time()
        # The soft limit alone: it is set anew for each case, and its signal ends the process.
        resource.setrlimit(resource.RLIMIT_CPU, (int(begin) + 1 + seconds, resource.RLIM_INFINITY))
        try:
            answer, fault, kind = function(case), "", "answered"
        except MemoryError as error:
            answer, fault, kind = None, f"MemoryError: {error}{_place(error)}", "memory"
        except Exception as error:
            answer, fault, kind = None, f"{type(error).__name__}: {error}{_place(error)}"[:600], "traceback"
        pipe.send((answer, fault, kind, time.process_time() - begin))


def _address_space_bytes() -> int:
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) * resource.getpagesize()


def _place(error: BaseException) -> str:
    """Return where in the program an error arose, innermost first."""
    frames = traceback.extract_tb(error.__traceback__)
    return "".join(f" < {Path(f.filename).name}:{f.lineno}" for f in reversed(frames[-4:]))


_KINDS: Final = {
    "traceback": "tracebacks",
    "hang": f"over {LONGEST_S} s",
    "memory": "over 1 GB",
    "death": "dead processes",
}


def tally(
    outcomes: Iterable[Outcome], *, what: str, shown: Callable[[Any], str] = repr
) -> tuple[list[Finding], Counter]:
    """Return a finding for each kind of fault, and how often each answer came."""
    bad: dict[str, list[Outcome]] = {kind: [] for kind in _KINDS}
    answers: Counter = Counter()
    count = 0
    for outcome in outcomes:
        count += 1
        if outcome.kind == "answered":
            answers[outcome.answer] += 1
        else:
            bad[outcome.kind].append(outcome)
            print(f"  {outcome.kind}: {one_line(shown(outcome.case))}: {one_line(outcome.fault, 600)}", flush=True)
    return [
        Finding(f"{what}: {words}", count, len(bad[kind]), _notes(bad[kind], shown)) for kind, words in _KINDS.items()
    ], answers


def _notes(found: list[Outcome], shown: Callable[[Any], str]) -> str:
    return "; ".join(f"{shown(o.case)[:100]}: {o.fault}"[:300] for o in found[:3])


def attack_with(
    function: Callable[[Any], Any], cases: Iterable[Any], *, what: str, warm: Any = _COLD, workers: int = 2
) -> tuple[list[Finding], Counter]:
    """Run the cases in limited processes and return findings by kind of fault, and how often each answer came."""
    return tally(each(function, cases, warm=warm, workers=workers), what=what)
