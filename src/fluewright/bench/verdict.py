"""What the bench says of a piece: its state, the cuts to make, and why; typed values, put into words by `words`."""

from dataclasses import dataclass
from enum import StrEnum

from fluewright.arrays import FloatArray
from fluewright.bench.cut_words import CAUTION, LASTS, how_to_cut, place_of_cut
from fluewright.instrument.sizes import CutKind

__all__ = [
    "AllMade", "AllWithin", "AtLimit", "CannotBeCut", "CutProposal", "EndsCut", "GoOn", "NextBody", "NoGain",
    "NoSafeCutYet", "OtherFingering", "Reason", "RisksMore", "SeemsWithin", "State", "TooSharp", "Torn", "Undercutting",
    "Verdict", "WayOut",
]  # fmt: skip


class State(StrEnum):
    """Where a piece stands: finished; cuts are planned; it is to be played again; nothing more can be done safely."""

    FINISHED = "finished"
    CUT = "cut"
    PLAY = "play"
    LEAVE = "leave"


@dataclass(frozen=True)
class AllWithin:
    """Every note of the first register is within its tolerance; `doubt` is the chance that one is not."""

    doubt: float


@dataclass(frozen=True)
class SeemsWithin:
    """Every note of the first register seems within its tolerance, and the next cut risks more than it gains."""

    doubt: float


@dataclass(frozen=True)
class AtLimit:
    """The size that sets a note is at the model's limit."""

    note: str
    key: str
    size_mm: float


@dataclass(frozen=True)
class CannotBeCut:
    """A cut that a note wants would make no instrument; `fault` says why not."""

    note: str
    key: str
    fault: str


@dataclass(frozen=True)
class _TwoOfOneHole:
    """A sharper and a flatter note that one hole (None: the foot) sets, each with its cents."""

    hole: str | None
    sharp: str
    flat: str
    sharp_cents: float
    flat_cents: float


@dataclass(frozen=True)
class EndsCut(_TwoOfOneHole):
    """The sharper note of a hole ends its cut before the flatter one is where it should be."""


@dataclass(frozen=True)
class OtherFingering:
    """Another fingering of a note, with one more of its lower holes closed or open, may move it alone."""

    note: str
    closed: bool


@dataclass(frozen=True)
class Undercutting:
    """An undercut lifts the flat note more, for each cent of the sharp one, than the diameter does."""

    kind: CutKind
    sharp: str
    flat: str
    lift: float
    lift_of_diameter: float


@dataclass(frozen=True)
class NextBody:
    """In the next body the hole wants another diameter and place; positive: larger, and nearer the foot."""

    hole: str
    wider_mm: float
    lower_mm: float


WayOut = OtherFingering | Undercutting | NextBody
"""What would reconcile two notes of one hole."""


@dataclass(frozen=True)
class Torn(_TwoOfOneHole):
    """A hole sets two notes that want it of different sizes.

    `reconcilable`: some size of it would bring both within the tolerance, but no safe cut does.
    """

    tolerance_cents: float
    reconcilable: bool
    ways: tuple[WayOut, ...]


@dataclass(frozen=True)
class TooSharp:
    """A note is too sharp, which no removal mends; `after_cents` is where cuts for other notes bring it."""

    note: str
    cents: float
    after_cents: float | None = None


@dataclass(frozen=True)
class NoSafeCutYet:
    """Playing these notes again will tell more; `doubt` is the chance that one lies outside."""

    notes: tuple[str, ...]
    doubt: float


@dataclass(frozen=True)
class RisksMore:
    """A note is flat, but the next cut risks more than it gains."""

    note: str
    cents: float


@dataclass(frozen=True)
class NoGain:
    """No safe cut brings a gain."""


@dataclass(frozen=True)
class GoOn:
    """Some cuts of this round are made; the rest of them wait."""


@dataclass(frozen=True)
class AllMade:
    """All cuts of this round are made: every note is to be played again."""


Reason = (
    AllWithin | SeemsWithin | AtLimit | CannotBeCut | EndsCut | Torn | TooSharp | NoSafeCutYet | RisksMore | NoGain
    | GoOn | AllMade
)  # fmt: skip


@dataclass(frozen=True)
class CutProposal:
    """One cut that may be made now.

    `before_mm` and `after_mm` are the size by `key`; `cents_before`, `cents_after` and `sigma_after` have the shape
    (fingerings,), `after` counting the cuts that come before this one in the plan; `overshoot` is the chance that some
    first-register note ends beyond its tolerance. `note` is the one for whose sake it is cut; `reasons` say which other
    note ends the cut before `note` is where it should be.
    """

    key: str
    kind: CutKind
    before_mm: float
    after_mm: float
    note: str
    cents_before: FloatArray
    cents_after: FloatArray
    sigma_after: FloatArray
    overshoot: float
    tool: str
    reasons: tuple[Reason, ...] = ()

    @property
    def feature(self) -> str:
        """Return where it is, in words: "hole 3"."""
        return place_of_cut(self.kind, self.key)

    @property
    def how(self) -> str:
        """Return what to do, in words."""
        return how_to_cut(self.kind, self.key, abs(self.after_mm - self.before_mm))

    @property
    def lasts(self) -> str:
        """Return what cannot be undone."""
        return LASTS[self.kind]

    @property
    def caution(self) -> str:
        """Return the usual caution; the machine's manual and trained practice come first."""
        return CAUTION[self.kind]


@dataclass(frozen=True)
class Verdict:
    """The state of the piece and what to do.

    Attributes
    ----------
    state : State
    plan : tuple of CutProposal
        In the order in which to cut; then play.
    reasons : tuple of Reason
        Those of the plan's cuts included.
    cents, sigma : array, shape (n,)
        The piece as it is, in the design's air and breath.
    doubt : float
        Chance that some first-register note lies outside its tolerance now.
    play_next : tuple of (str, int)
        Notes, with their registers, that would tell most.
    """

    state: State
    plan: tuple[CutProposal, ...]
    reasons: tuple[Reason, ...]
    cents: FloatArray
    sigma: FloatArray
    doubt: float
    play_next: tuple[tuple[str, int], ...] = ()

    @property
    def proposal(self) -> CutProposal | None:
        """Return the first cut of the plan."""
        return self.plan[0] if self.plan else None

    @property
    def last(self) -> CutProposal | None:
        """Return the last cut of the plan: its notes are those after all of them."""
        return self.plan[-1] if self.plan else None
