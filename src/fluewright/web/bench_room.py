"""One piece on the bench, shared by every device that looks at it: a lock, a journal of what is played, and the view.

What may be heard, judged, logged and cut is decided in `shop`.
"""

import hashlib
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from fluewright.bench.remarks import Remark
from fluewright.bench.verdict import Verdict
from fluewright.bench.words import remark_words
from fluewright.errors import InputError
from fluewright.ledger import open_ledger
from fluewright.pictures.palette import Theme
from fluewright.shop.certificates import certify
from fluewright.shop.conditions import TrialConditions
from fluewright.shop.cutting import record_cut
from fluewright.shop.pieces import set_state
from fluewright.shop.sitting import Judged, Sitting, Take, play, sit_down
from fluewright.shop.ticking import PlayedNote, Ticking
from fluewright.web.bench_view import bench_view
from fluewright.web.journal import Journal, TickedNote

__all__ = ["BenchRoom"]


class BenchRoom:
    """A piece and its present trial. All methods may be called from several threads.

    Parameters
    ----------
    ledger : Path
    serial : str
    folder : Path
        Where journals are kept.

    Raises
    ------
    InputError
        The serial is not in the ledger.
    """

    def __init__(self, ledger: Path, serial: str, folder: Path) -> None:
        self.ledger = ledger
        self.serial = serial
        self._lock = threading.RLock()
        self._journal = Journal(folder, serial)
        self._conditions = TrialConditions()
        self._known: tuple[Sitting, Ticking, Verdict | None] | None = None
        self._sitting = sit_down(ledger, serial)
        # What was shown last, by colours: every device at the bench asks for the same after each note.
        self._shown: dict[str, tuple[tuple[Any, ...], dict[str, Any]]] = {}

    @property
    def model_name(self) -> str:
        """Return the model's name."""
        return self._sitting.model.model.name

    # --- what is known

    def _read(self) -> tuple[Sitting, Ticking, Verdict | None]:
        """Return the sitting, made anew where the ledger has an event that it has not: others write to it too."""
        with open_ledger(self.ledger, create=False) as book:
            newest = book.newest_event()[0]
        stale = self._sitting.record is None or self._sitting.record.event != newest
        if stale or self._known is None:
            # Known again only at the end: what cannot be computed is tried and said again.
            self._known = None
            if stale:
                self._sitting = sit_down(self.ledger, self.serial, known=self._sitting)
            ticking = Ticking(self._sitting, self._conditions)
            _ = ticking.expected_hz
            self._known = (self._sitting, ticking, self._sitting.verdict())
        return self._known

    def state(self, theme: Theme = "light") -> dict[str, Any]:
        """Return everything that the page shows, as plain data; not to be changed, for others are given it as well."""
        with self._lock:
            sitting, ticking, verdict = self._read()
            notes = tuple(self._journal.notes())
            # Verdict and what is known are made anew whenever they change, never changed in place.
            now = (sitting, ticking, verdict, notes)
            before, shown = self._shown.get(theme, ((), {}))
            same = len(before) == len(now) and all(a is b for a, b in zip(before[:3], now[:3], strict=True))
            if not same or before[3] != notes:
                ticked: dict[int, list[TickedNote]] = {}
                for note in notes:
                    ticked.setdefault(note.fingering, []).append(note)
                shown = bench_view(ticking, verdict, ticked, theme)
                self._shown[theme] = now, shown
            return shown

    def forget(self) -> None:
        """Read the ledger anew the next time: something else wrote to it, also of other pieces."""
        with self._lock:
            self._sitting, self._known = sit_down(self.ledger, self.serial), None

    def set_conditions(self, temperature_c: float | None, breath_pa: float | None) -> None:
        """Set air and breath of the coming trial.

        Raises
        ------
        InputError
            They cannot be meant.
        """
        conditions = TrialConditions(temperature_c, breath_pa)
        with self._lock:
            conditions.ratio(self._sitting.model)
            self._conditions, self._known = conditions, None

    # --- what is heard

    def nearest(self, frequency_hz: float) -> tuple[int, float] | None:
        """Return (fingering, cents from its target) of a pitch that sounds; None where it is none of the notes."""
        with self._lock:
            ticking = (self._known or self._read())[1]
        return ticking.nearest(frequency_hz)

    def hear(self, note: PlayedNote) -> int | None:
        """Take a heard note; return its fingering when it counts, after it was kept on disk."""
        with self._lock:
            found = (self._known or self._read())[1].counts(note)
            if found is not None:
                self._journal.add(
                    TickedNote(found, note.frequency_hz, note.frequency_uncertainty_hz, float(note.onset_s))
                )
        return found

    def drop(self, fingering: int) -> bool:
        """Take back the latest playing of a note."""
        with self._lock:
            return self._journal.drop_last(fingering)

    def throw_away(self) -> None:
        """Forget the present trial."""
        with self._lock:
            self._journal.clear()

    def finish_trial(self) -> list[str]:
        """Judge the notes that were ticked, log them as a trial, and return what was odd about it.

        Raises
        ------
        InputError
            No note was ticked, or they are not of this piece.
        """
        with self._lock:
            notes = self._journal.notes()
            if not notes:
                raise InputError("no note was heard yet: play each note once, slowly, then end the trial")
            text = "\n".join(f"{n.fingering} {n.frequency_hz!r} {n.sigma_hz!r}" for n in notes)
            take = Take("played live", hashlib.sha256(text.encode()).hexdigest(), tuple(notes))
            judged = self._play(take)
            self._journal.clear()
            return _words(judged)

    def take_recording(self, take: Take) -> list[str]:
        """Judge a recording, log it as a trial, and return what was odd about it.

        Raises
        ------
        InputError
            It was counted before, holds no note, or is not of this piece.
        """
        with self._lock:
            return [*take.warnings, *_words(self._play(take))]

    def _play(self, take: Take) -> Judged:
        sitting, _, _ = self._read()
        judged = play(sitting, [take], conditions=self._conditions)
        if judged.repeated:
            raise InputError(f"{take.name}: this recording was counted before; it is not counted again")
        return judged

    # --- what is cut

    def log_cut(self, key: str, after_mm: float, tool: str, reason: str) -> list[str]:
        """Log a cut that was made, and return what was dropped by it.

        Notes that were ticked before it are of the sizes before it: they are dropped, for they are no trial of what is
        there now.

        Raises
        ------
        InputError
            As `shop.cutting.record_cut`.
        """
        with self._lock:
            record_cut(self._read()[0], key=key, after_mm=after_mm, tool=tool, reason=reason)
            stale = len(self._journal.notes())
            self._journal.clear()
        if not stale:
            return []
        what = "1 note that was" if stale == 1 else f"{stale} notes that were"
        return [
            f"{what} played before this cut {'was' if stale == 1 else 'were'} dropped: not of the piece as it is now."
        ]

    def set_state(self, state: str, reason: str) -> None:
        """Set where the piece stands now.

        Raises
        ------
        InputError
            As `shop.pieces.set_state`.
        """
        with self._lock:
            set_state(self.ledger, self.serial, state, reason=reason)

    def certificate(self, folder: Path) -> bytes:
        """Return the certificate of the piece as it was last heard, as PDF.

        Raises
        ------
        InputError
            It was not heard yet, or was cut since.
        """
        with self._lock:
            return certify(self._read()[0], folder / "certificate.pdf").read_bytes()


def _words(judged: Judged) -> list[str]:
    """Return what was odd; which trial is meant needs no word where one was just made."""
    remarks: Sequence[Remark] = judged.advice.remarks
    return [remark_words(remark, numbered=False) for remark in remarks]
