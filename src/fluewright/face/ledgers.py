"""The shop's records from a script: models and pieces, trials, cuts, and what they teach."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from fluewright.bench.policy import CutPolicy
from fluewright.bench.verdict import State, Verdict
from fluewright.bench.words import result_words
from fluewright.face.advising import (
    PieceAdvice,
    Recordings,
    cut_records,
    judged_piece,
    note_records,
    verdict_html,
)
from fluewright.face.drawing import Picture
from fluewright.face.records import Record, RecordTable, Tabular, html_table
from fluewright.instrument.fingering import Fingering
from fluewright.instrument.model import Model
from fluewright.ledger import VerifyReport, verify
from fluewright.ledger import open_ledger as open_book
from fluewright.pictures.palette import Theme
from fluewright.pictures.results import MarkKind
from fluewright.shop.backups import make_backup
from fluewright.shop.certificates import certify
from fluewright.shop.cutting import CutLogged, correct_cut, record_cut
from fluewright.shop.history import find_pieces, history_rows
from fluewright.shop.learning import ledger_scores
from fluewright.shop.models import read_model_of, save_version
from fluewright.shop.pieces import begin_piece, measure_piece, set_state
from fluewright.shop.result_pictures import verdict_chart
from fluewright.shop.sitting import Sitting, log_trials, sit_down

__all__ = ["PieceAtBench", "RecordedCut", "ShopLedger", "open_ledger"]


@dataclass(frozen=True, repr=False, eq=False, kw_only=True)
class PieceAtBench(Tabular):
    """What is known of a piece of the ledger at the moment of sitting down with it; it does not change afterwards.

    Attributes
    ----------
    sitting : Sitting
        As the shop returned it.
    verdict : Verdict or None
        None before it was played.
    """

    sitting: Sitting
    verdict: Verdict | None

    @property
    def serial(self) -> str:
        """Serial of the piece."""
        return self.sitting.record.serial if self.sitting.record else ""

    @property
    def model(self) -> Model:
        """The design that it is judged by."""
        return self.sitting.model

    @property
    def state(self) -> State | None:
        """What to do with it: finished, cut, play or leave; None before it was played."""
        return None if self.verdict is None else self.verdict.state

    @property
    def as_built(self) -> dict[str, float]:
        """Sizes that the ledger knows, mm and degrees by key."""
        return dict(self.sitting.record.as_built) if self.sitting.record else {}

    def cuts(self) -> RecordTable:
        """Return the cuts that are still to be made, in their order."""
        return RecordTable(f"{self.serial}: cuts", () if self.verdict is None else cut_records(self.verdict))

    def records(self) -> list[Record]:
        """Return one dict a fingering: cents now and after the cuts; none before it was played."""
        return [] if self.verdict is None else note_records(self.sitting.pitch.fingerings, self.verdict)

    def _headline(self) -> str:
        played = len(self.sitting.trials)
        stands = "not played yet" if self.verdict is None else result_words(self.verdict.state)
        return (
            f"{self.serial} ({self.model.model.name}): {stands}; {played} trial{'' if played == 1 else 's'}, "
            f"{len(self.sitting.cut_since)} cut since, taught by {self.sitting.taught_by} other pieces"
        )

    def picture(self, *, theme: Theme = "light") -> Picture | None:
        """Return the hanging chart of the piece as it is; None before it was played."""
        if self.verdict is None:
            return None
        kind: MarkKind = "measured" if self.sitting.played_as_it_is else "predicted"
        return Picture(
            self.serial, verdict_chart(self.sitting, self.verdict, kind=kind, theme=theme, title=self.serial)
        )  # fmt: skip

    def _repr_html_(self) -> str:
        picture = self.picture()
        if picture is None or self.verdict is None:
            return f"<div>{html_table([{'piece': self._headline()}])}</div>"
        return verdict_html(self._headline(), picture.svg, self.verdict)


@dataclass(frozen=True, repr=False, eq=False, kw_only=True)
class RecordedCut(Tabular):
    """A cut as it was recorded, with what every note should be now.

    Attributes
    ----------
    serial : str
    fingerings : tuple of Fingering
        Of the piece's model, in the order of the forecast.
    logged : CutLogged
        As the shop returned it: event, size, before and after, forecast (None before any trial).
    """

    serial: str
    fingerings: tuple[Fingering, ...]
    logged: CutLogged

    @property
    def event(self) -> int:
        """Number of the event, by which the cut can be put right."""
        return self.logged.event

    def records(self) -> list[Record]:
        """Return one dict a fingering: cents now by the forecast; none before any trial."""
        forecast = self.logged.forecast
        if forecast is None:
            return []
        return [
            {"note": f.note, "register": f.register, "fingering": f.text, "cents": float(forecast.cents[i]),
             "uncertainty_cents": float(forecast.sigma[i])}
            for i, f in enumerate(self.fingerings)
        ]  # fmt: skip

    def _headline(self) -> str:
        cut = self.logged
        unknown = "" if cut.forecast else "; no forecast before the first trial"
        return f"{self.serial}, event {cut.event}: {cut.key} {cut.before_mm:.2f} to {cut.after_mm:.2f} mm{unknown}"


@dataclass(frozen=True, repr=False)
class ShopLedger:
    """A ledger: each call reads or writes the file anew, so that pages and scripts may work side by side.

    Attributes
    ----------
    path : Path
    """

    path: Path

    def __repr__(self) -> str:
        """Return in one line which ledger it is."""
        return f"<ShopLedger {self.path}>"

    def pieces(self, wanted: str = "", *, state: str = "") -> RecordTable:
        """Return the pieces, newest first; with `wanted` those whose records hold these words."""
        return RecordTable(
            f"{self.path.name}: pieces",
            tuple(
                {
                    "serial": f.piece.serial, "model": f.piece.model_name, "version": f.piece.model_version,
                    "state": str(f.piece.state), "material": f.piece.material, "lot": f.piece.lot,
                    "trials": f.trials, "head_trials": f.head_trials, "cuts": f.cuts,
                    "last": f.last.isoformat(timespec="seconds"),
                }
                for f in find_pieces(self.path, wanted, state)
            ),
        )  # fmt: skip

    def models(self) -> RecordTable:
        """Return every version of every model that the ledger holds."""
        with open_book(self.path, create=False) as book:
            return RecordTable(
                f"{self.path.name}: models",
                tuple(
                    {"name": m.name, "version": m.version, "added": m.added_at.isoformat(timespec="seconds"),
                     "lineage": m.lineage}
                    for m in book.models()
                ),
            )  # fmt: skip

    def model(self, name: str, *, version: int | None = None) -> Model:
        """Return a model of the ledger, by default its newest version, or a starting model of that name.

        Raises
        ------
        InputError
            There is none of that name or version.
        """
        return read_model_of(self.path, name, version)

    def save_model(self, model: Model, *, name: str = "") -> int:
        """Save a model, by default under its own name, and return its version; the same text is the same version.

        Raises
        ------
        InputError
            The name cannot be one.
        """
        return save_version(self.path, model, name).version

    def begin_piece(
        self, model_name: str, *, prefix: str, sizes: Mapping[str, float] | None = None, material: str = "",
        lot: str = "", version: int | None = None,
    ) -> str:  # fmt: skip
        """Enter a new piece of a model and return its serial, such as ``D5-0007`` for the prefix ``D5``.

        Raises
        ------
        InputError
            There is no such model, a size does not belong to it, or the prefix cannot be one.
        """
        return begin_piece(
            self.path, model_name, prefix=prefix, sizes=sizes, material=material, lot=lot, version=version
        )  # fmt: skip

    def sit_down(
        self, serial: str, *, model: Model | None = None, sizes: Mapping[str, float] | None = None
    ) -> PieceAtBench:
        """Return all that is known of a piece now.

        Parameters
        ----------
        serial : str
        model : Model, optional
            To judge it by; by default the version that it was begun with.
        sizes : mapping, optional
            Sizes gauged now, beside those of the ledger, mm by key.

        Raises
        ------
        InputError
            There is no such piece, or the model or a size is not that of the piece.
        """
        sitting = sit_down(self.path, serial, model=model, sizes=sizes)
        return PieceAtBench(sitting=sitting, verdict=sitting.verdict())

    def advise(
        self, serial: str, recordings: Recordings, *, temperature_c: float | None = None,
        breath_pa: float | None = None, policy: CutPolicy | None = None,
    ) -> PieceAdvice:  # fmt: skip
        """Say how a piece stands by recordings of it as it is now, and the next safe cuts; nothing is logged.

        Takes what `fluewright.advise` takes, and raises what it raises.
        """
        judged = judged_piece(
            sit_down(self.path, serial), recordings, temperature_c=temperature_c, breath_pa=breath_pa, policy=policy
        )
        return PieceAdvice(judged=judged)

    def log_trial(
        self, serial: str, recordings: Recordings, *, temperature_c: float | None = None,
        breath_pa: float | None = None, policy: CutPolicy | None = None, remarks: str = "",
    ) -> PieceAdvice:  # fmt: skip
        """Judge recordings of a piece as `advise` does, and log them as trials; one that was counted before is not.

        Takes what `fluewright.advise` takes, and raises what it raises; nothing is logged then.

        Raises
        ------
        LedgerError
            The piece's sizes were changed while it was heard.
        """
        judged = judged_piece(
            sit_down(self.path, serial), recordings, temperature_c=temperature_c, breath_pa=breath_pa, policy=policy
        )
        return PieceAdvice(judged=judged, logged=log_trials(judged, remarks=remarks))

    def record_cut(
        self, serial: str, key: str, *, after_mm: float, tool: str, reason: str, before_mm: float | None = None
    ) -> RecordedCut:
        """Record a cut that was made, with what every note should be now.

        Parameters
        ----------
        serial : str
        key : str
            The size that was cut.
        after_mm : float
            As gauged after the cut.
        tool, reason : str
        before_mm : float, optional
            As gauged before the cut; by default what the ledger says.

        Raises
        ------
        InputError
            No such piece or size, or no cut does this; the error names the field.
        """
        sitting = sit_down(self.path, serial)
        logged = record_cut(sitting, key=key, after_mm=after_mm, tool=tool, reason=reason, before_mm=before_mm)
        return RecordedCut(serial=serial, fingerings=sitting.pitch.fingerings, logged=logged)

    def correct_cut(self, serial: str, event: int, *, after_mm: float, reason: str) -> int:
        """Put the size after a recorded cut right by a new event, and return that.

        Raises
        ------
        InputError
            The event is no cut of the piece, or this size cannot be.
        """
        return correct_cut(self.path, serial, event, after_mm=after_mm, reason=reason)

    def measure(self, serial: str, sizes: Mapping[str, float], *, gauge: str = "", remarks: str = "") -> int:
        """Enter gauged sizes of a piece, and return the event.

        Raises
        ------
        InputError
            No such piece, or a size does not belong to it.
        """
        return measure_piece(self.path, serial, sizes, gauge=gauge, remarks=remarks)

    def set_state(self, serial: str, state: str, *, reason: str) -> int:
        """Say where a piece stands now, for example "tuned", and return the event.

        Raises
        ------
        InputError
            There is no such piece or state, it cannot follow the present one, or no reason is given.
        """
        return set_state(self.path, serial, state, reason=reason)

    def history(self, serial: str) -> RecordTable:
        """Return the events of a piece, oldest first.

        Raises
        ------
        LedgerError
            There is no such piece.
        """
        return RecordTable(
            f"{serial}: history",
            tuple(
                {"event": r.event, "what": r.what, "when": r.when.isoformat(timespec="seconds"), "says": r.says,
                 "corrected": r.corrected}
                for r in history_rows(self.path, serial)
            ),
        )  # fmt: skip

    def forecasts(self, *, model_name: str = "") -> RecordTable:
        """Return every note that was forecast before a cut and heard after it, cents.

        Parameters
        ----------
        model_name : str
            Only pieces of this model; by default all.
        """
        scores, found = ledger_scores(self.path, model_name=model_name)
        return RecordTable(
            f"{self.path.name}: {scores.verdict}",
            tuple(
                {"what": f.what, "forecast_cents": f.mean, "uncertainty_cents": f.sigma, "heard_cents": f.outcome}
                for f in found
            ),
        )

    def write_certificate(
        self, serial: str, path: str | Path, *, temperature_uncertainty_c: float | None = None
    ) -> Path:
        """Write the certificate of a piece as it was last played (PDF), and return it.

        Raises
        ------
        InputError
            There is no such piece, it was not played yet or was cut since, or the file cannot be written.
        """
        sitting = sit_down(self.path, serial)
        return certify(sitting, Path(path), temperature_uncertainty_c=temperature_uncertainty_c)

    def back_up(self) -> Path:
        """Copy the ledger into the folder of copies beside it, and return the copy.

        Raises
        ------
        InputError
            The copy cannot be made.
        """
        return make_backup(self.path)

    def verify(self) -> VerifyReport:
        """Check the whole ledger; nothing is written."""
        return verify(self.path)


def open_ledger(path: str | Path, *, create: bool = True) -> ShopLedger:
    """Open the shop's records.

    Parameters
    ----------
    path : str or Path
    create : bool
        Begin a ledger where there is none.

    Raises
    ------
    LedgerError
        There is none and none is to be begun, or the file is no ledger.
    """
    with open_book(path, create=create):
        return ShopLedger(Path(path))
