"""What a part of the attack is, and where the parts are found.

A part lives in a module of this folder and registers itself; nobody keeps a list:

    @part("models", quick=0.01)
    def models(effort: Effort) -> list[Finding]: ...
"""

import importlib
import pkgutil
import random
import time
import traceback
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

import attack

__all__ = ["Effort", "Finding", "Part", "Result", "find_parts", "part", "run_part"]


@dataclass(frozen=True)
class Effort:
    """How much a part attacks: ``share`` 1.0 is the whole, less is a quick run; equal seeds attack equally."""

    seed: int
    share: float = 1.0

    def of(self, whole: int, least: int = 1) -> int:
        """Return how many of ``whole`` cases belong to this share, never fewer than ``least``."""
        return min(whole, max(least, round(whole * self.share)))

    def random(self, subject: object = "") -> random.Random:
        """Return a generator that depends on the seed and on ``subject`` alone."""
        return random.Random(f"{self.seed}/{subject}")


@dataclass(frozen=True)
class Finding:
    """One row of the table: ``count`` cases of ``what`` were tried, ``bad`` of them went wrong, and how."""

    what: str
    count: int
    bad: int = 0
    note: str = ""


Attack = Callable[[Effort], list[Finding]]


@dataclass(frozen=True)
class Part:
    """One registered part; ``quick`` is the share at which `make test` runs it, None where it takes minutes."""

    name: str
    attack: Attack
    quick: float | None


@dataclass(frozen=True)
class Result:
    """What a part found, and the seconds that it took."""

    name: str
    findings: list[Finding]
    seconds: float

    @property
    def bad(self) -> int:
        """How many cases went wrong."""
        return sum(finding.bad for finding in self.findings)


_PARTS: Final[dict[str, Part]] = {}


def part(name: str, *, quick: float | None = 0.01) -> Callable[[Attack], Attack]:
    """Register a function as the part ``name``; `make test` runs it at the share ``quick``."""

    def register(attack: Attack) -> Attack:
        known = _PARTS.get(name)
        if known is not None and (known.attack.__module__, known.attack.__qualname__) != (
            attack.__module__,
            attack.__qualname__,
        ):
            raise ValueError(f"two parts of the attack are called {name}: name one of them otherwise")
        _PARTS[name] = Part(name, attack, quick)
        return attack

    return register


def find_parts(names: Iterable[str] = ()) -> list[Part]:
    """Import every module of this folder and return its parts, all of them or those named."""
    for module in sorted(found.name for found in pkgutil.iter_modules(attack.__path__)):
        if module != "run":
            importlib.import_module(f"attack.{module}")
    wanted = list(names) or sorted(_PARTS)
    unknown = [name for name in wanted if name not in _PARTS]
    if unknown:
        raise KeyError(f"no part is called {', '.join(unknown)}; there are {', '.join(sorted(_PARTS))}")
    return [_PARTS[name] for name in wanted]


def run_part(found: Part, effort: Effort) -> Result:
    """Run one part; one that breaks or that tries nothing is itself bad."""
    begin = time.perf_counter()
    try:
        findings = found.attack(effort)
    except Exception as error:
        traceback.print_exc()
        findings = [Finding("the part itself", 1, 1, f"{type(error).__name__}: {error}")]
    if not sum(finding.count for finding in findings):
        findings = [*findings, Finding("the part itself", 0, 1, "tried nothing")]
    return Result(found.name, findings, time.perf_counter() - begin)
