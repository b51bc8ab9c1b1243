"""One piece on the bench: what is heard, what is known, what to do next; shared by every device that looks at it."""

import hashlib
import math
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from fluewright.bench.calibration import PlayedTrial, Posterior, calibrate
from fluewright.bench.cuts import CutPolicy, CutProposal, Verdict, next_cut
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.prior import Prior
from fluewright.bench.repeats import of_repeats
from fluewright.bench.session import Advice, advise, air_cents, air_of, check_sizes_over_time
from fluewright.errors import ComputeError, InputError
from fluewright.instrument.files import model_from_text
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.sizes import with_sizes
from fluewright.ledger import Cut, PieceState, Trial, open_ledger
from fluewright.pictures.chart import hanging_chart
from fluewright.pictures.results import MarkKind, NoteMark
from fluewright.shop import ANALYSIS_VERSION, check_same_piece, cut_forecast, learned_from, trial_notes
from fluewright.shop.trials import played_trials
from fluewright.units import CENTS_PER_RELATIVE, cents_above, shifted, signed
from fluewright.web.journal import Journal, TickedNote

__all__ = ["BenchRoom", "Recorded"]

# A note counts as played well when it lasted this long and its pitch is this sure.
_LEAST_S, _MOST_CENTS = 0.25, 3.0
# Further than this from every note of the piece it is none of them.
_WIDEST_CENTS = 90.0


# What a verdict means for who reads the certificate.
_RESULTS = {
    "finished": "finished", "leave": "left as it is", "cut": "not finished, cuts are advised",
    "play": "not finished, to be played again",
}  # fmt: skip


@dataclass(frozen=True)
class Recorded:
    """Where the notes of a trial came from."""

    name: str
    sha256: str


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
        with open_ledger(ledger, create=False) as book:
            piece = book.instrument(serial)
            text = book.model(piece.model_name, piece.model_version).toml_text
        self.model = model_from_text(text, place=f"{piece.model_name} in the ledger")
        self.pitch = PitchModel.of(self.model)
        self.temperature_c: float | None = None
        self.breath_pa: float | None = None
        self._prior: Prior | None = None
        self._pieces = 0
        self._expected: np.ndarray[Any, Any] | None = None
        self._known: tuple[dict[str, float], list[PlayedTrial], str] | None = None
        self._event = -1  # of the ledger when it was read: the command line may write to it as well
        self._verdict: Verdict | None = None
        self._left: tuple[CutProposal, ...] = ()
        # What was shown last, by colours: every device at the bench asks for the same after each note.
        self._shown: dict[str, tuple[tuple[Any, ...], dict[str, Any]]] = {}

    # --- what is known

    def _read(self) -> tuple[dict[str, float], list[PlayedTrial], str]:
        if self._written_elsewhere() or self._known is None:
            # Known again only at the end: what cannot be computed is tried and said again.
            self._known = None
            with open_ledger(self.ledger, create=False) as book:
                piece = book.instrument(self.serial)
                trials = played_trials(book.history(self.serial), self.model, self.pitch.fingerings)
            if self._prior is None:
                shop = learned_from(self.ledger, self.pitch, without=self.serial)
                self._prior, self._pieces = shop.prior, shop.prior.pieces
            try:
                posterior = calibrate(self.pitch, trials, prior=self._prior, gauged=piece.as_built)
                cents = posterior.forecast(piece.as_built)[0]
                self._expected = shifted(self.pitch.network.targets_hz, cents)
                self._verdict = self._next(posterior, piece.as_built, trials)
            except ComputeError as error:
                raise ComputeError(
                    f"{self.serial}, with its sizes as the ledger has them: {error} If a size was mistyped, put it "
                    "right in the piece's history."
                ) from error
            self._known = (dict(piece.as_built), trials, str(piece.state))
        return self._known

    def _written_elsewhere(self) -> bool:
        """Return whether the ledger has an event that this bench has not read: the command line may write too."""
        with open_ledger(self.ledger, create=False) as book:
            event = book.head()[0]
        fresh, self._event = event != self._event, event
        return fresh

    def _next(self, posterior: Posterior, built: Mapping[str, float], trials: Sequence[PlayedTrial]) -> Verdict | None:
        """Return what to do; once something was cut, the rest of the plan, and then to play again."""
        if not trials:
            return None
        sizes = [dict(t.as_built) for t in trials]
        made = len({tuple(sorted(s.items())) for s in sizes}) - 1
        verdict = next_cut(posterior, built, policy=CutPolicy(), rounds_made=made)
        if dict(built) == sizes[-1]:
            return verdict
        left = self._left
        why = "All cuts of this round are made: play every note again." if not left else "Go on with this round's cuts."
        return replace(verdict, state="cut" if left else "play", plan=left, reasons=(why,))

    def state(self, theme: str = "light") -> dict[str, Any]:
        """Return everything that the page shows, as plain data; not to be changed, for others are given it as well."""
        with self._lock:
            known = self._read()
            notes = tuple(self._journal.notes())
            # Verdict and what is known are made anew whenever they change, never changed in place.
            now = (known, self._verdict, notes, self.temperature_c, self.breath_pa)
            before, shown = self._shown.get(theme, ((), {}))
            same = len(before) == len(now) and before[0] is now[0] and before[1] is now[1] and before[2:] == now[2:]
            if not same:
                shown = self._look(*known, theme)
                self._shown[theme] = now, shown
            return shown

    def _look(
        self, built: Mapping[str, float], trials: Sequence[PlayedTrial], state: str, theme: str
    ) -> dict[str, Any]:
        ticked = self._ticked()
        verdict = self._verdict
        notes = []
        for i, f in enumerate(self.pitch.fingerings):
            if f.alternative:
                continue
            mine = ticked.get(i, [])
            heard = self._cents(i, mine)
            notes.append(
                {
                    "index": i,
                    "note": f.note,
                    "register": f.register,
                    "fingering": f.text,
                    "target_hz": float(self.pitch.network.targets_hz[i]),
                    "plays": len(mine),
                    "heard_cents": heard,
                    "cents": float(verdict.cents[i]) if verdict else None,
                    "sigma": float(verdict.sigma[i]) if verdict else None,
                }
            )
        return {
            "serial": self.serial,
            "model": self.model.model.name,
            "state": state,
            "tolerance_cents": self.model.target.tolerance_cents,
            "temperature_c": self.temperature_c,
            "design_temperature_c": self.model.conditions.temperature_c,
            "breath_pa": self.breath_pa,
            "states": [str(s) for s in PieceState],
            "trials": len(trials),
            "taught_by_pieces": self._pieces,
            "notes": notes,
            "verdict": None if verdict is None else self._verdict_data(verdict),
            "chart": self._chart(built, verdict, ticked, theme),
        }

    def _ticked(self) -> dict[int, list[TickedNote]]:
        found: dict[int, list[TickedNote]] = {}
        for note in self._journal.notes():
            found.setdefault(note.fingering, []).append(note)
        return found

    def _cents(self, i: int, notes: Sequence[TickedNote]) -> float | None:
        if not notes:
            return None
        hz, _, _ = of_repeats([n.frequency_hz for n in notes], [n.sigma_hz for n in notes])
        return float(CENTS_PER_RELATIVE * math.log(hz / self.pitch.network.targets_hz[i])) - self._warm()

    def _warm(self) -> float:
        """Return how sharp the air of this trial makes every note against the design's, cents."""
        return air_cents(self.model, self.temperature_c)

    def _played_as_it_is(self) -> bool:
        """Return whether the piece was played since its last cut."""
        built, trials, _ = self._read()
        return bool(trials) and dict(built) == dict(trials[-1].as_built)

    def _upper_outside(self, verdict: Verdict) -> list[str]:
        """Return the notes of upper registers that will lie outside the tolerance, which cuts at holes do not mend."""
        cents = verdict.plan[-1].cents_after if verdict.plan else verdict.cents
        tolerance = self.model.target.tolerance_cents
        return [
            f"{f.note} {signed(float(cents[i]), 0)}"
            for i, f in enumerate(self.pitch.fingerings)
            if f.register > 1 and not f.alternative and abs(cents[i]) > tolerance
        ]

    def _verdict_data(self, verdict: Verdict) -> dict[str, Any]:
        return {
            "state": verdict.state,
            "reasons": list(verdict.reasons),
            "doubt": verdict.doubt,
            "play_next": list(verdict.play_next),
            "upper_outside": self._upper_outside(verdict),
            "plan": [
                {
                    "key": c.key,
                    "feature": c.feature,
                    "note": c.note,
                    "before_mm": round(c.before_mm, 2),
                    # As finely as it is gauged, so that words, pin and field say the same.
                    "after_mm": round(c.after_mm, 2),
                    "how": c.how,
                    "tool": c.tool,
                    "risk": c.overshoot,
                    "lasts": c.lasts,
                    "caution": c.caution,
                }
                for c in verdict.plan
            ],
        }

    def _chart(
        self,
        built: Mapping[str, float],
        verdict: Verdict | None,
        ticked: Mapping[int, Sequence[TickedNote]],
        theme: str,
    ) -> str:
        made = with_sizes(self.model, dict(built)) if built else self.model
        marks = []
        last = verdict.plan[-1] if verdict is not None and verdict.plan else None
        # After a cut nothing is measured until it is played: what stands there is the forecast of what was cut.
        kind: MarkKind = "measured" if self._played_as_it_is() else "predicted"
        for i, f in enumerate(self.pitch.fingerings):
            if f.alternative:
                continue
            hole = governing_hole(f)
            heard = self._cents(i, ticked.get(i, []))
            if heard is not None:
                marks.append(NoteMark(f.note, f.register, heard, 2.0, "measured", hole))
            elif verdict is not None:
                marks.append(NoteMark(f.note, f.register, float(verdict.cents[i]), float(verdict.sigma[i]), kind, hole))
            if last is not None:
                cents, sigma = float(last.cents_after[i]), float(last.sigma_after[i])
                marks.append(NoteMark(f.note, f.register, cents, sigma, "forecast", hole))
            elif verdict is None and heard is None and self._expected is not None:
                cents = cents_above(self._expected[i], self.pitch.network.targets_hz[i])
                marks.append(NoteMark(f.note, f.register, cents, 0.0, "predicted", hole))
        return hanging_chart(made, marks, theme=theme, title=self.serial)

    def forget(self) -> None:
        """Read the ledger anew the next time: something else wrote to it."""
        with self._lock:
            self._known, self._prior = None, None

    # --- what is heard

    def nearest(self, frequency_hz: float) -> tuple[int, float] | None:
        """Return (fingering, cents from its target) of a pitch that sounds; None where it is none of the notes."""
        with self._lock:
            if self._known is None:
                self._read()
            assert self._expected is not None
            gap = CENTS_PER_RELATIVE * np.log(frequency_hz / self._expected) - self._warm()
            main = [i for i, f in enumerate(self.pitch.fingerings) if f.alternative == 0]
            best = min(main, key=lambda i: abs(gap[i]))
            if abs(gap[best]) > _WIDEST_CENTS:
                return None
            target = self.pitch.network.targets_hz[best]
            return best, float(CENTS_PER_RELATIVE * math.log(frequency_hz / target)) - self._warm()

    def hear(self, note: Any) -> int | None:
        """Take a heard note; return its fingering when it counts, after it was kept on disk."""
        hz, sigma = float(note.frequency_hz), float(note.frequency_uncertainty_hz)
        if note.offset_s - note.onset_s < _LEAST_S or CENTS_PER_RELATIVE * sigma / hz > _MOST_CENTS:
            return None
        found = self.nearest(hz)
        if found is None:
            return None
        with self._lock:
            self._journal.add(TickedNote(found[0], hz, sigma, float(note.onset_s)))
        return found[0]

    def drop(self, fingering: int) -> bool:
        """Take back the latest playing of a note."""
        with self._lock:
            return self._journal.drop_last(fingering)

    def throw_away(self) -> None:
        """Forget the present trial."""
        with self._lock:
            self._journal.clear()

    def finish_trial(self, recorded: Recorded | None = None) -> Advice:
        """Judge the notes that were ticked and log them as a trial.

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
            where = recorded or Recorded("played live", hashlib.sha256(text.encode()).hexdigest())
            advice = self._judge([_Heard(n.frequency_hz, n.sigma_hz) for n in notes], where)
            self._journal.clear()
            return advice

    def take_recording(self, notes: Sequence[Any], recorded: Recorded) -> Advice:
        """Judge the notes of a recording and log them as a trial.

        Raises
        ------
        InputError
            It was counted before, holds no note, or is not of this piece.
        """
        with self._lock:
            if not notes:
                raise InputError(f"{recorded.name}: no notes heard; play each note once, slowly")
            with open_ledger(self.ledger, create=False) as book:
                known = {e.recording_sha256 for e in book.history(self.serial) if isinstance(e, Trial)}
                if recorded.sha256 in known:
                    raise InputError(f"{recorded.name}: this recording was counted before; it is not counted again")
            return self._judge([_Heard(n.frequency_hz, n.frequency_uncertainty_hz) for n in notes], recorded)

    def _judge(self, heard: Sequence["_Heard"], recorded: Recorded) -> Advice:
        built, trials, _ = self._read()
        ratio = None
        if self.breath_pa is not None:
            from fluewright.instrument.breath import breath_pressure_pa

            lowest = self.model.model.lowest_note
            ratio = self.breath_pa / breath_pressure_pa(self.model.target, lowest, lowest)
        advice = advise(
            self.pitch, [list(heard)], as_built=built, earlier=trials, temperature_c=self.temperature_c,
            breath_ratio=ratio, prior=self._prior,
        )  # fmt: skip
        check_same_piece(advice, [len(heard)])
        with open_ledger(self.ledger, create=False) as book:
            air = air_of(self.model, self.temperature_c)
            book.log_trial(
                self.serial,
                temperature_c=self.model.conditions.temperature_c if air is None else air.temperature_c,
                relative_humidity=self.model.conditions.relative_humidity,
                breath_pa=self.breath_pa,
                recording_sha256=recorded.sha256,
                recording_name=recorded.name,
                analysis_version=ANALYSIS_VERSION,
                notes=trial_notes(advice.fingerings, advice.targets_hz, advice.trials[0].notes),
                as_built=built,
            )
        self._left = ()
        self._known = None
        return advice

    # --- what is cut

    def log_cut(self, key: str, after_mm: float, tool: str, reason: str) -> list[str]:
        """Log a cut that was made, with the forecast of the plan if it belongs to it; return what was dropped by it.

        Notes that were ticked before it are of the sizes before it: they are dropped, for they are no trial of what is
        there now.

        Raises
        ------
        InputError
            The sizes after it make no instrument, or the ledger has another size before it.
        """
        with self._lock:
            built, _, _ = self._read()
            before = self.pitch.size(key, built) if key in self.pitch.columns else math.nan
            if not math.isfinite(before):
                raise InputError(f"{key}: {self.model.model.name} has no such size")
            if not math.isfinite(after_mm):
                raise InputError(f"{key}: {after_mm} mm is no size")
            with_sizes(self.model, {**built, key: after_mm})
            check_sizes_over_time([{**built, key: before}, {**built, key: after_mm}])
            verdict = self._verdict
            planned = next((c for c in verdict.plan if c.key == key), None) if verdict else None
            forecast = {} if planned is None else cut_forecast(planned, self.pitch.fingerings)
            with open_ledger(self.ledger, create=False) as book:
                if key not in built:
                    book.log_measurement(self.serial, as_built={key: before}, remarks="as designed, before the cut")
                book.log_cut(
                    self.serial, feature=key, before_mm=before, after_mm=after_mm, tool=tool, reason=reason,
                    forecast=forecast, as_built_after={key: after_mm},
                )  # fmt: skip
            self._left = tuple(c for c in verdict.plan if c.key != key) if verdict else ()
            self._known = None
            stale = len(self._journal.notes())
            self._journal.clear()
        if not stale:
            return []
        what = "1 note that was" if stale == 1 else f"{stale} notes that were"
        return [
            f"{what} played before this cut {'was' if stale == 1 else 'were'} dropped: not of the piece as it is now."
        ]

    def set_state(self, state: str, reason: str) -> None:
        """Say where the piece stands now.

        Raises
        ------
        InputError
            There is no such state, it cannot follow the present one, or no reason is given.
        """
        if state not in [str(s) for s in PieceState]:
            raise InputError(f"{state!r} is no state; there are {', '.join(PieceState)}")
        if not reason:
            raise InputError("say in a few words why the state changes")
        with self._lock, open_ledger(self.ledger, create=False) as book:
            book.set_state(self.serial, state, reason)
            self._known = None

    def certificate(self, folder: Path) -> bytes:
        """Return the certificate of the piece as it was last heard, as PDF.

        Raises
        ------
        InputError
            It was not heard yet.
        """
        from fluewright.making.certificate import (
            CertificateCut,
            CertificateNote,
            MeasuringConditions,
            write_certificate,
        )

        with self._lock:
            self._read()
            verdict = self._verdict
            with open_ledger(self.ledger, create=False) as book:
                history = book.history(self.serial)
                event, digest = book.head()
            trials = [e for e in history if isinstance(e, Trial)]
            if not trials or verdict is None:
                raise InputError(f"{self.serial} was not heard yet: a certificate needs a trial; play it first")
            if not self._played_as_it_is():
                raise InputError(
                    f"{self.serial} was cut since it was last played: play every note again and end the trial; then "
                    "the certificate says what the piece is"
                )
            last = trials[-1]
            at = {
                (f.note, f.register): i
                for i, f in reversed(list(enumerate(self.pitch.fingerings)))
                if not f.alternative
            }
            tolerance = self.model.target.tolerance_cents
            rows = []
            for n in last.notes:
                i = at.get((n.note, n.register))
                if i is None:
                    continue
                cents, sigma = float(verdict.cents[i]), float(verdict.sigma[i])
                rows.append(
                    CertificateNote(
                        n.note, n.register, n.target_hz, n.frequency_hz, cents, sigma, abs(cents) <= tolerance
                    )
                )
            number, rounds = 0, []
            for e in history:
                if isinstance(e, Trial):
                    number += 1
                elif isinstance(e, Cut):
                    rounds.append(CertificateCut(number, e.feature, e.before_mm, e.after_mm, e.reason))
            path = folder / "certificate.pdf"
            write_certificate(
                path, model=self.model, serial=self.serial, rows=rows,
                conditions=MeasuringConditions(
                    temperature_c=last.temperature_c, relative_humidity=last.relative_humidity,
                    method=f"{last.recording_name}, {last.analysis_version}; cents by the mean of all trials, at the "
                    "design's temperature and breath",
                ),
                rounds=rounds, verdict=f"{_RESULTS[verdict.state]}: {'; '.join(verdict.reasons) or 'see the notes'}",
                ledger_head=f"event {event}, {digest}", timestamp=int(time.time()),
            )  # fmt: skip
            return path.read_bytes()

    def set_conditions(self, temperature_c: float | None, breath_pa: float | None) -> None:
        """Set air and breath of the coming trial.

        Raises
        ------
        InputError
            They cannot be meant.
        """
        if temperature_c is not None and not -20.0 <= temperature_c <= 60.0:
            raise InputError(f"temperature: {temperature_c:g} degC cannot be meant; give -20 to 60")
        if breath_pa is not None and not 5.0 <= breath_pa <= 10_000.0:
            raise InputError(f"breath: {breath_pa:g} Pa cannot be meant; give 5 to 10000 (10 mm of water are 98 Pa)")
        with self._lock:
            self.temperature_c, self.breath_pa = temperature_c, breath_pa


@dataclass(frozen=True)
class _Heard:
    frequency_hz: float
    frequency_uncertainty_hz: float
