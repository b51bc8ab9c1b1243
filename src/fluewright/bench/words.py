"""The bench's reasons and remarks in plain English; every face that shows them takes its words from here."""

from fluewright.bench.remarks import NoteLeftOut, NotesMissing, NotesUnmatched, Remark
from fluewright.bench.verdict import (
    AllMade,
    AllWithin,
    AtLimit,
    CannotBeCut,
    EndsCut,
    GoOn,
    NextBody,
    NoGain,
    NoSafeCutYet,
    OtherFingering,
    Reason,
    RisksMore,
    SeemsWithin,
    State,
    TooSharp,
    Torn,
    Undercutting,
    WayOut,
)  # fmt: skip
from fluewright.instrument.sizes import CutKind, size_name, size_words
from fluewright.units import signed

__all__ = ["hole_words", "note_words", "reason_words", "remark_words", "result_words"]

_RESULTS = {
    State.FINISHED: "finished",
    State.LEAVE: "left as it is",
    State.CUT: "not finished, cuts are advised",
    State.PLAY: "not finished, to be played again",
}


def result_words(state: State) -> str:
    """Return what a state means for who reads a certificate."""
    return _RESULTS[state]


def note_words(note: tuple[str, int]) -> str:
    """Return a note with its register."""
    return f"{note[0]} (register {note[1]})"


def hole_words(hole: str | None) -> str:
    """Return a hole by its name, or the foot."""
    return "the foot" if hole is None else f"hole {hole}"


def reason_words(reason: Reason) -> str:
    """Return why a piece is judged so, in one sentence without its full stop."""
    match reason:
        case AllWithin(doubt):
            return (
                f"every note of the first register is within its tolerance; the chance that one is not is {doubt:.1%}"
            )
        case SeemsWithin(doubt):
            return (
                "every note of the first register seems within its tolerance, and the next cut risks more than it "
                f"gains; the chance that one is not is {doubt:.1%}"
            )
        case AtLimit(note, key, size_mm):
            return f"{note}: {size_words(key)} is at the model's limit of {size_mm:.2f} mm"
        case CannotBeCut(note, key, fault):
            return f"{note}: {size_name(key).place} cannot be cut so: {fault}"
        case EndsCut(hole, sharp, flat, sharp_cents, flat_cents):
            return (
                f"{sharp} ends the cut at {hole_words(hole)}, which sets {flat} too: {sharp} comes to "
                f"{signed(sharp_cents)} cents, and {flat} is left at {signed(flat_cents)}"
            )
        case Torn():
            return _torn_words(reason)
        case TooSharp(note, cents, after_cents):
            rise = "" if after_cents is None else f"; the cuts for other notes bring it to {signed(after_cents)}"
            return (
                f"{note} is {signed(cents)} cents: too sharp, which no removal mends; wax on the upper side of its "
                f"hole, or a new body, are the honest options{rise}"
            )
        case NoSafeCutYet(notes, doubt):
            return f"no safe cut yet: play {', '.join(notes)} again, the chance that one is outside is {doubt:.1%}"
        case RisksMore(note, cents):
            return f"{note} is {signed(cents)} cents: the next cut risks more than it gains"
        case NoGain():
            return "no safe cut brings a gain"
        case GoOn():
            return "go on with this round's cuts"
        case AllMade():
            return "all cuts of this round are made: play every note again"


def _torn_words(torn: Torn) -> str:
    none = "safe cut" if torn.reconcilable else "size"
    ways = "; or ".join(_way_words(way) for way in torn.ways)
    return (
        f"{hole_words(torn.hole)} sets {torn.sharp} and {torn.flat}, which want it of different sizes: {torn.sharp} is "
        f"{signed(torn.sharp_cents)} cents and {torn.flat} {signed(torn.flat_cents)}, "
        f"{torn.sharp_cents - torn.flat_cents:.1f} apart, and no {none} brings both within {torn.tolerance_cents:g}"
        + (f"; what would: {ways}" if ways else "")
    )


def _way_words(way: WayOut) -> str:
    match way:
        case OtherFingering(note, closed):
            return f"another fingering of {note}, with one more of its lower holes {'closed' if closed else 'open'}"
        case Undercutting(kind, sharp, flat, lift, lift_of_diameter):
            side = "window's" if kind is CutKind.UNDERCUT_UP else "foot's"
            return (
                f"an undercut on the {side} side instead of a wider hole (for each cent of {sharp} it lifts {flat} by "
                f"{lift:.2f}, the diameter by {lift_of_diameter:.2f})"
            )
        case NextBody(hole, wider_mm, lower_mm):
            toward, larger = "foot" if lower_mm > 0.0 else "window", "larger" if wider_mm > 0.0 else "smaller"
            return (
                f"in the next body hole {hole} {abs(wider_mm):.1f} mm {larger} and {abs(lower_mm):.1f} mm nearer the "
                f"{toward}"
            )


def remark_words(remark: Remark, *, numbered: bool = True) -> str:
    """Return what was odd about a trial; `numbered` says which trial, where several are judged together."""
    which = f"trial {remark.trial}: " if numbered else ""
    match remark:
        case NotesUnmatched(_, frequencies_hz):
            odd = ", ".join(f"{hz:.1f} Hz" for hz in frequencies_hz[:6])
            return f"{which}{len(frequencies_hz)} notes fit no fingering and were left out: {odd}"
        case NotesMissing(_, notes):
            return f"{which}not heard: {', '.join(map(note_words, notes))}"
        case NoteLeftOut(_, note, cents):
            return (
                f"{which}{note_words(note)} is {signed(cents, 0)} cents from what all other notes say and was left out "
                "(a leaking finger, a wrong fingering, a squeak?); play it again"
            )
