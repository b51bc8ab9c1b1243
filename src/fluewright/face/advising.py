"""What the bench says of a piece that was played: how it stands, the next safe cuts, and why."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.policy import CutPolicy
from fluewright.bench.verdict import CutProposal, State, Verdict
from fluewright.bench.words import note_words, reason_words, remark_words, result_words
from fluewright.face.drawing import Picture, Pictured
from fluewright.face.records import Record, RecordTable, Tabular, html_table
from fluewright.instrument.fingering import Fingering
from fluewright.instrument.model import Model
from fluewright.pictures.palette import Theme
from fluewright.shop.conditions import TrialConditions
from fluewright.shop.result_pictures import verdict_chart
from fluewright.shop.sitting import Judged, Sitting, judge, sit_down_loose, take_of_recording

__all__ = ["PieceAdvice", "Recordings", "advise", "cut_records", "judged_piece", "note_records", "verdict_html"]

Recordings = str | Path | Sequence[str | Path]
"""One file, or several."""


def note_records(fingerings: Sequence[Fingering], verdict: Verdict) -> list[Record]:
    """Return one dict a fingering: cents and uncertainty (one sigma) now, and after the planned cuts (else None)."""
    last = verdict.last
    return [
        {
            "note": f.note, "register": f.register, "fingering": f.text,
            "cents": float(verdict.cents[i]), "uncertainty_cents": float(verdict.sigma[i]),
            "cents_after": None if last is None else float(last.cents_after[i]),
            "uncertainty_after_cents": None if last is None else float(last.sigma_after[i]),
        }
        for i, f in enumerate(fingerings)
    ]  # fmt: skip


def cut_records(verdict: Verdict) -> tuple[Record, ...]:
    """Return one dict a planned cut, in the order in which to cut."""
    return tuple(
        {
            "size": c.key, "before_mm": c.before_mm, "after_mm": c.after_mm, "note": c.note, "how": c.how,
            "tool": c.tool, "chance_too_far": c.overshoot, "cannot_be_undone": c.lasts, "caution": c.caution,
        }
        for c in verdict.plan
    )  # fmt: skip


def verdict_html(headline: str, svg: str, verdict: Verdict, warnings: Sequence[str] = ()) -> str:
    """Return chart, cuts, reasons and warnings of a verdict as HTML."""
    cuts = html_table(cut_records(verdict)) if verdict.plan else ""
    said = "".join(f"<li>{escape(text)}</li>" for text in (*map(reason_words, verdict.reasons), *warnings))
    return f"<div><p>{escape(headline)}</p>{svg}{cuts}{f'<ul>{said}</ul>' if said else ''}</div>"


@dataclass(frozen=True, repr=False, eq=False, kw_only=True)
class PieceAdvice(Tabular, Pictured):
    """A piece judged by what was played on it.

    Attributes
    ----------
    judged : Judged
        As the shop returned it.
    logged : tuple of int
        Events of the trials that were logged; empty where nothing was.
    """

    judged: Judged
    logged: tuple[int, ...] = ()

    @property
    def model(self) -> Model:
        """The design that the piece is judged by."""
        return self.judged.sitting.model

    @property
    def verdict(self) -> Verdict:
        """State, plan, typed reasons, and the notes as arrays."""
        return self.judged.advice.verdict

    @property
    def state(self) -> State:
        """Where the piece stands: finished, cut, play or leave."""
        return self.verdict.state

    @property
    def plan(self) -> tuple[CutProposal, ...]:
        """The cuts that may be made now, in their order; then play again."""
        return self.verdict.plan

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why, in sentences without their full stops."""
        return tuple(map(reason_words, self.verdict.reasons))

    @property
    def warnings(self) -> tuple[str, ...]:
        """What was odd about the recordings: notes left out or missing, a recording that was counted before."""
        said = [text for take in self.judged.takes for text in take.warnings]
        said += [f"{take.name}: this recording was counted before" for take in self.judged.repeated]
        return (*said, *map(remark_words, self.judged.advice.remarks))

    @property
    def play_next(self) -> tuple[str, ...]:
        """Notes that would tell most when they are played again."""
        return tuple(map(note_words, self.verdict.play_next))

    def cuts(self) -> RecordTable:
        """Return the planned cuts: size, before and after in mm, how, with what, and the chance of going too far."""
        return RecordTable(f"{self.model.model.name}: cuts", cut_records(self.verdict))

    def records(self) -> list[Record]:
        """Return one dict a fingering: cents now and after the cuts, in the design's air and breath."""
        return note_records(self.judged.advice.fingerings, self.verdict)

    def _headline(self) -> str:
        cuts = f"; first: {self.plan[0].how}" if self.plan else ""
        return (
            f"{self.model.model.name}: {result_words(self.state)}; chance that a note of register 1 is out "
            f"{self.verdict.doubt:.0%}{cuts}"
        )

    def picture(self, *, theme: Theme = "light") -> Picture:
        """Return the hanging chart: the piece as it is, and hollow marks for what the cuts will make of it."""
        chart = verdict_chart(self.judged.sitting, self.verdict, theme=theme)
        return Picture(f"{self.model.model.name}: now, and after the proposed cuts", chart)

    def _repr_html_(self) -> str:
        return verdict_html(self._headline(), self.picture().svg, self.verdict, self.warnings)


def judged_piece(
    sitting: Sitting, recordings: Recordings, *, temperature_c: float | None, breath_pa: float | None,
    policy: CutPolicy | None,
) -> Judged:  # fmt: skip
    """Return a piece judged by recordings of it as it is now; nothing is logged.

    Raises
    ------
    RecordingError, InputError, ComputeError
        As `advise`.
    """
    paths = [recordings] if isinstance(recordings, str | Path) else list(recordings)
    conditions = TrialConditions(temperature_c, breath_pa)
    takes = [take_of_recording(Path(path)) for path in paths]
    return judge(sitting, takes, conditions=conditions, policy=policy)


def advise(
    model: Model, recordings: Recordings, *, sizes: Mapping[str, float] | None = None,
    temperature_c: float | None = None, breath_pa: float | None = None, policy: CutPolicy | None = None,
) -> PieceAdvice:  # fmt: skip
    """Say how a piece stands by recordings of it, and the next safe cuts; for a piece that no ledger knows.

    Parameters
    ----------
    model : Model
        Its design.
    recordings : path, or sequence of paths
        Of the piece as it is now, each note once, slowly.
    sizes : mapping, optional
        Present sizes where they differ from the design, mm by key.
    temperature_c : float, optional
        Air in the bore; by default the design's.
    breath_pa : float, optional
        Breath measured on the lowest note; by default not measured.
    policy : CutPolicy, optional
        What counts as safe and as finished.

    Raises
    ------
    RecordingError
        A recording cannot be read.
    InputError
        No note is heard, it is a recording of something else, or a size, temperature or breath cannot be.
    ComputeError
        A note has no resonance with the sizes of the piece.
    """
    sitting = sit_down_loose(PitchModel.of(model), sizes or {})
    judged = judged_piece(sitting, recordings, temperature_c=temperature_c, breath_pa=breath_pa, policy=policy)
    return PieceAdvice(judged=judged)
