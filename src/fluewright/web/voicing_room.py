"""One head on the voicing bench: the trial that is being made, those before it, what is wrong and what to do.

Everything that the page is told of as kept is on disk first: recordings beside the ledger by their hash, the trial's
draft in one small file that is replaced as a whole.
"""

import hashlib
import json
import math
import os
import threading
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from fluewright.bench.voicing.advice import CHECKS, Advice, step_of
from fluewright.bench.voicing.guide import TrialStep, guided_steps
from fluewright.bench.voicing.quantities import QUANTITIES
from fluewright.bench.voicing.trial import (
    HeadTrial,
    NoteTrial,
    Reading,
    check_order,
    checked_reading,
    merged,
    shifts,
)
from fluewright.errors import InputError, RecordingError
from fluewright.instrument.files import model_from_text
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import with_sizes
from fluewright.ledger import open_ledger
from fluewright.listening.breath_log import read_breath_log
from fluewright.pictures.palette import Theme
from fluewright.shop.head_advice import HeadJudged, check_words, evaluate_head, judge_head, log_done, note_order
from fluewright.shop.head_hearing import HeadHeard, ModelNotes, hear_swell_file, hear_tongued, notes_of_model
from fluewright.shop.head_pictures import head_trial_picture
from fluewright.shop.head_trials import Records, log_head_trial, read_records
from fluewright.units import cents_above

__all__ = ["VoicingRoom"]

# A note blown by feel, without a water column beside it: its pitch is known to this, cents. Breath by feel repeats to
# about a tenth, and pitch moves some 30 cents a doubling; common practice, no source.
_BY_FEEL_CENTS = 5.0
_MM_OF_WATER_PA = 9.80665


@dataclass
class _Draft:
    """The trial that is being made; `takes` by step: [name, sha256 of the sound, sha256 of a breath log or ""]."""

    takes: dict[str, list[str]] = field(default_factory=dict)
    typed: dict[str, list[float]] = field(default_factory=dict)
    checked: list[str] = field(default_factory=list)
    body: str = ""
    good: bool = False
    temperature_c: float | None = None


class VoicingRoom:
    """A head and its present trial. All methods may be called from several threads.

    Parameters
    ----------
    ledger : Path
    serial : str
    folder : Path
        Where drafts and recordings are kept.

    Raises
    ------
    InputError
        The serial is not in the ledger.
    """

    def __init__(self, ledger: Path, serial: str, folder: Path) -> None:
        self.ledger, self.serial, self.folder = ledger, serial, folder
        self._lock = threading.RLock()
        self._judging = threading.Lock()
        with open_ledger(ledger, create=False) as book:
            piece = book.instrument(serial)
            text = book.model(piece.model_name, piece.model_version).toml_text
        self.model = model_from_text(text, place=f"{piece.model_name} in the ledger")
        self.steps: tuple[TrialStep, ...] = guided_steps(self.model)
        self._notes: ModelNotes = notes_of_model(self.model)
        self._path = folder / f"{serial}.head.json"
        self._draft = self._read_draft()
        self._heard: dict[tuple[Any, ...], HeadHeard] = {}
        self._judged: dict[tuple[int, tuple[str, ...]], HeadJudged] = {}

    # --- the draft on disk

    def _read_draft(self) -> _Draft:
        try:
            return _Draft(**json.loads(self._path.read_text(encoding="utf-8")))
        except FileNotFoundError:
            return _Draft()
        except (OSError, ValueError, TypeError):
            # It is replaced as a whole, so it is damaged only by another hand: keep it beside, begin anew.
            self._path.replace(self._path.with_suffix(".damaged"))
            return _Draft()

    def _keep_draft(self) -> None:
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            part = self._path.with_suffix(".part")
            with part.open("w", encoding="utf-8") as stream:
                json.dump(asdict(self._draft), stream)
                stream.flush()
                os.fsync(stream.fileno())
            part.replace(self._path)
        except OSError as error:
            raise InputError(f"{self._path}: cannot be written ({error.strerror}); free some room") from error

    def _step(self, key: str) -> TrialStep:
        for step in self.steps:
            if step.key == key:
                return step
        raise InputError(f"{key[:40]!r} is no step of this trial; it has {', '.join(s.key for s in self.steps)}")

    # --- what is taken

    def take(self, key: str, path: Path, name: str) -> None:
        """Take a recording for a step, in place of an earlier one; it is heard once before it is kept.

        Raises
        ------
        InputError, RecordingError
            No such step, or nothing of the step's notes is heard in it.
        """
        step = self._step(key)
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        with self._lock:
            heard = self._hear(step, path, digest, name, "")
            if step.kind != "swell" and not heard.notes:
                wanted = ", ".join(dict.fromkeys(n for n, _ in step.notes))
                raise InputError(
                    f"{name}: none of {wanted} was heard; play just these, about a second each, near the microphone"
                )
            self._keep_sound(path, digest)
            log = self._draft.takes.get(key, ["", "", ""])[2]
            self._draft.takes[key] = [name, digest, log]
            self._keep_draft()

    def take_log(self, path: Path, name: str) -> None:
        """Take a table of time and pressure beside the swell.

        Raises
        ------
        InputError, RecordingError
            There is no swell yet, the table cannot be read, or it does not belong to the sound.
        """
        read_breath_log(path)
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        with self._lock:
            take = self._draft.takes.get("swell")
            if take is None:
                raise InputError(f"{name}: record the swell first, then give the breath log that was taken beside it")
            self._keep_sound(path, digest)
            self._hear(self._step("swell"), self.sound_path(take[1]), take[1], take[0], digest)
            self._draft.takes["swell"] = [take[0], take[1], digest]
            self._keep_draft()

    def sound_path(self, digest: str) -> Path:
        """Return where a recording is kept."""
        return self.folder / "recordings" / digest

    def _keep_sound(self, path: Path, digest: str) -> None:
        target = self.sound_path(digest)
        if target.exists():
            return
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            part = target.with_suffix(".part")
            with part.open("wb") as stream:
                stream.write(path.read_bytes())
                stream.flush()
                os.fsync(stream.fileno())
            part.replace(target)
        except OSError as error:
            raise InputError(f"{target.parent}: cannot be written ({error.strerror}); free some room") from error

    def read_column(self, note: str, register: int, quantity: str, value: float | None, unit: str = "") -> None:
        """Take or, with None, take back one typed reading; `unit` "mm" is mm of water.

        Raises
        ------
        InputError
            The model lacks the note, or the value cannot be.
        """
        if (note, register) not in self._notes.targets_hz:
            raise InputError(f"{note[:12]} of register {register}: {self.model.model.name} has no such note")
        key = f"{note} {register} {quantity}"
        with self._lock:
            if value is None:
                self._draft.typed.pop(key, None)
            else:
                if unit == "mm" and quantity.endswith("_pa"):
                    value *= _MM_OF_WATER_PA
                reading = checked_reading(f"{note}, register {register}", quantity, value)
                before = self._draft.typed.get(key)
                self._draft.typed[key] = [reading.value, reading.sigma]
                try:
                    for one in merged(self._typed()):
                        check_order(one)
                except InputError:
                    if before is None:
                        del self._draft.typed[key]
                    else:
                        self._draft.typed[key] = before
                    raise
            self._keep_draft()

    def settle(
        self, *, checked: Sequence[str] | None = None, body: str | None = None, good: bool | None = None,
        temperature_c: float | None = None,
    ) -> None:  # fmt: skip
        """Set what was excluded, the reference body, whether the head is a good one, and the room; None leaves it.

        Raises
        ------
        InputError
        """
        with self._lock:
            if checked is not None:
                check_words(self.model, checked)
                self._draft.checked = list(dict.fromkeys(checked))
            if body is not None:
                self._draft.body = body
            if good is not None:
                self._draft.good = good
            if temperature_c is not None:
                if not -20.0 <= temperature_c <= 60.0:
                    raise InputError(f"temperature: {temperature_c:g} degC cannot be meant; give -20 to 60")
                self._draft.temperature_c = temperature_c
            self._keep_draft()

    def throw_away(self) -> None:
        """Forget the present trial; what was excluded stays."""
        with self._lock:
            self._draft = _Draft(checked=self._draft.checked, body=self._draft.body)
            self._keep_draft()

    # --- what is heard

    @property
    def room_c(self) -> float:
        """Return the temperature of this trial."""
        given = self._draft.temperature_c
        return self.model.conditions.temperature_c if given is None else given

    def _typed(self) -> list[NoteTrial]:
        found = []
        for key, (value, sigma) in self._draft.typed.items():
            note, register, quantity = key.split(" ")
            found.append(NoteTrial(note, int(register), {quantity: Reading(value, sigma)}))
        return found

    def _column(self, note: tuple[str, int], quantity: str) -> float:
        return self._draft.typed.get(f"{note[0]} {note[1]} {quantity}", [math.nan])[0]

    def _hear(self, step: TrialStep, path: Path, digest: str, name: str, log: str) -> HeadHeard:
        """Return what a step's recording says with the readings typed now."""
        notes = self._notes.in_air(self.room_c, self.model)
        breaths = {k: self._column(k, "comfortable_pa") for k in notes.comfortable_pa}
        blown = {k: v if math.isfinite(v) else notes.comfortable_pa[k] for k, v in breaths.items()}
        columns = tuple(self._column(step.notes[0], q) for q in ("lowest_pa", "jump_pa"))
        known = (step.key, digest, log, self.room_c, columns, tuple(blown.values()), name)
        if known not in self._heard:
            mine = ModelNotes(notes.targets_hz, blown)
            if step.kind == "swell":
                table = read_breath_log(self.sound_path(log)) if log else None
                heard = hear_swell_file(
                    mine, path, name=name, log=table, lowest_pa=columns[0], jump_pa=columns[1]
                )  # fmt: skip
            else:
                heard = self._with_pitch(step, hear_tongued(mine.only(step.notes), path, name=name), mine, breaths)
            if len(self._heard) > 64:
                self._heard.clear()
            self._heard[known] = heard
        return self._heard[known]

    def _with_pitch(
        self, step: TrialStep, heard: HeadHeard, notes: ModelNotes, breaths: Mapping[tuple[str, int], float]
    ) -> HeadHeard:
        """Add pitch at comfortable breath: sure where a water column read that breath, by feel else."""
        parts = list(heard.notes)
        for key in step.notes:
            target = notes.targets_hz[key]
            near = [hz for hz, _ in heard.pitches if abs(cents_above(hz, target)) < 90.0]
            if near:
                cents = cents_above(math.exp(sum(map(math.log, near)) / len(near)), target)
                own = QUANTITIES["cents"].reading
                sigma = own if math.isfinite(breaths[key]) else math.hypot(own, _BY_FEEL_CENTS)
                parts.append(NoteTrial(*key, {"cents": Reading(cents, sigma / math.sqrt(len(near)))}))
        if step.kind == "slurred":
            # Slurred, a note has no attack of its own.
            keep = {"cents", "hiss_db", "second_db", "third_db"}
            parts = [replace(p, readings={k: r for k, r in p.readings.items() if k in keep}) for p in parts]
        return replace(heard, notes=merged(p for p in parts if p.readings))

    def _takes(self) -> list[tuple[TrialStep, HeadHeard | None, str]]:
        """Return every step with what was heard of it, or why nothing is."""
        found = []
        for step in self.steps:
            take = self._draft.takes.get(step.key)
            heard, fault = None, ""
            if take is not None:
                try:
                    heard = self._hear(step, self.sound_path(take[1]), take[1], take[0], take[2])
                except (RecordingError, InputError, OSError) as error:
                    fault = str(error)
            found.append((step, heard, fault))
        return found

    def _trial_so_far(self) -> HeadTrial | None:
        takes = self._takes()
        typed = merged(self._typed())
        exact = {(n.note, n.register, q) for n in typed for q in n.readings}
        parts = []
        for _, heard, _ in takes:
            for note in heard.notes if heard is not None else ():
                # What was read off a column counts, not what was worked out of it.
                rest = {q: r for q, r in note.readings.items() if (note.note, note.register, q) not in exact}
                parts.append(replace(note, readings=rest))
        notes = [n for n in merged([*parts, *typed]) if n.readings]
        if not notes:
            return None
        order = {n: i for i, n in enumerate(note_order(self.model))}
        return HeadTrial(
            tuple(sorted(notes, key=lambda n: order[(n.note, n.register)])), self.serial, self._draft.body,
            self._draft.good, self.room_c,
            tuple(h.source for _, h, _ in takes if h is not None) + (("typed",) if typed else ()),
        )  # fmt: skip

    def finish(self) -> int:
        """Log the trial and return its event.

        Raises
        ------
        InputError
            Nothing was taken yet, or breaths stand in an order that no note has.
        """
        with self._lock:
            trial = self._trial_so_far()
            if trial is None:
                raise InputError("nothing was taken yet: record a step, or type a breath, then end the trial")
            for note in trial.notes:
                check_order(note)
            event = log_head_trial(self.ledger, self.serial, trial, temperature_c=self.room_c)
            self._draft = _Draft(
                checked=self._draft.checked, body=self._draft.body, temperature_c=self._draft.temperature_c
            )
            self._keep_draft()
            return event

    # --- what the page shows

    def records(self) -> Records:
        """Return what the ledger holds of this head."""
        return read_records(self.ledger, self.serial, self.model)

    def as_built(self) -> Model:
        """Return the model with the sizes that this piece has by the ledger."""
        with open_ledger(self.ledger, create=False) as book:
            built = book.as_built(self.serial)
        return with_sizes(self.model, dict(built)) if built else self.model

    def state(self, theme: Theme = "light", beside: int | None = None) -> dict[str, Any]:
        """Return everything that the page shows at once, as plain data.

        Parameters
        ----------
        theme : str
        beside : int, optional
            Event of the trial to show the newest one beside; by default the one before it.
        """
        with self._lock:
            records = self.records()
            now = self._trial_so_far()
            shown, other = self._pair(records, now, beside)
            takes = self._takes()
            return {
                "serial": self.serial,
                "model": self.model.model.name,
                "design_temperature_c": self.model.conditions.temperature_c,
                "temperature_c": self._draft.temperature_c,
                "body": self._draft.body,
                "good": self._draft.good,
                "checks": [{"key": k, "how": how, "done": k in self._draft.checked} for k, how in CHECKS],
                "steps": [self._step_data(step, heard, fault) for step, heard, fault in takes],
                "notes": [list(n) for n in note_order(self.model)],
                "quantities": [{"key": q.key, "title": q.title, "unit": q.unit} for q in QUANTITIES.values()],
                "typed": [
                    {"note": k.split(" ")[0], "register": int(k.split(" ")[1]), "quantity": k.split(" ")[2],
                     "value": v[0]}
                    for k, v in self._draft.typed.items()
                ],
                "has_something": now is not None,
                "trials": [
                    {"event": e, "good": t.good, "body": t.body, "temperature_c": t.temperature_c,
                     "notes": len(t.notes)}
                    for e, t in records.trials
                ],
                "beside": None if other is None else other[0],
                "picture": "" if shown is None else head_trial_picture(
                    self.model, shown, None if other is None else other[1],
                    beside="" if other is None else f"event {other[0]}", theme=theme,
                ),
                "shifts": [] if shown is None or other is None else _shift_rows(other[1], shown),
                "outcomes": _outcome_rows(records),
                "waiting": [
                    {"event": m.event_id, "title": m.title, "steps": m.steps} for m in records.since
                ],
            }  # fmt: skip

    def _pair(
        self, records: Records, now: HeadTrial | None, beside: int | None
    ) -> tuple[HeadTrial | None, tuple[int, HeadTrial] | None]:
        trials = list(records.trials)
        shown = now if now is not None else (trials.pop()[1] if trials else None)
        if beside is not None:
            return shown, next((t for t in records.trials if t[0] == beside), None)
        return shown, trials[-1] if trials else None

    def _step_data(self, step: TrialStep, heard: HeadHeard | None, fault: str) -> dict[str, Any]:
        take = self._draft.takes.get(step.key)
        return {
            "key": step.key, "title": step.title, "say": step.say, "kind": step.kind,
            "notes": [list(n) for n in step.notes],
            "breaths": [
                {"note": n, "register": r, "quantity": q, "title": QUANTITIES[q].title,
                 "value": self._draft.typed.get(f"{n} {r} {q}", [None])[0]}
                for n, r, q in step.breaths
            ],
            "take": None if take is None else take[0],
            "log": bool(take and take[2]),
            "heard": [] if heard is None else [_note_row(n) for n in heard.notes],
            "warnings": [fault] if fault else [] if heard is None else list(heard.warnings),
        }  # fmt: skip

    # --- what is wrong, and what to do

    def guided_notes(self) -> set[tuple[str, int]]:
        """Return every note of the guided trial: all are evaluated, so that no later trial has to wait."""
        return {n for step in self.steps for n in step.notes}

    def warm_up(self) -> None:
        """Compute the model's head ahead of the first judgement; kept on disk."""
        with self._judging:
            evaluate_head(self.model, self.guided_notes())

    def judged(self) -> HeadJudged:
        """Return the newest logged trial, judged.

        Raises
        ------
        InputError
            There is none yet.
        """
        with self._lock:
            records = self.records()
            if not records.trials:
                raise InputError("no trial yet: make one, then this says what is wrong and what to do")
            event, trial = records.trials[-1]
            checked = tuple(self._draft.checked)
        with self._judging:
            if (event, checked) not in self._judged:
                self._judged.clear()
                self._judged[(event, checked)] = judge_head(
                    self.model, trial, records=records, checked=checked, evaluated=self.guided_notes()
                )
            return self._judged[(event, checked)]

    def advice(self) -> dict[str, Any]:
        """Return symptoms, causes and ranked adjustments of the newest logged trial, as plain data."""
        judged = self.judged()
        found = judged.diagnosis
        return {
            "faultless": found.faultless,
            "good_heads": judged.references,
            "warnings": [w for w in judged.warnings if "trial --good" not in w],
            "open_checks": [{"key": k, "how": how} for k, how in judged.open_checks],
            "symptoms": [
                {"title": s.symptom.title, "chance": s.probability, "value": _finite(s.value), "limit": s.limit,
                 "sigma": _finite(s.sigma), "unit": s.unit, "relative": s.symptom.relative, "notes": list(s.notes)}
                for s in judged.symptoms
            ],
            "causes": [
                {"title": c.cause.title + (f", {c.variant}" if c.variant else ""), "chance": c.probability,
                 "size": c.size, "sigma": c.sigma, "unit": c.cause.unit, "confirm": c.cause.confirm}
                for c in found.causes
            ],
            "advice": [_advice_row(a) for a in judged.advice],
        }  # fmt: skip

    def done(self, key: str, steps: float, reason: str) -> int:
        """Log that an adjustment was made, with its forecast, and return its event.

        Raises
        ------
        InputError
            It is not known, or the steps cannot be meant.
        """
        step = step_of(key)
        if not (math.isfinite(steps) and 0.0 < abs(steps) <= 20.0):
            raise InputError(f"{step.adjustment.title}: {steps:g} usual steps; give 0.1 to 20, negative if taken back")
        return log_done(self.ledger, self.serial, self.judged(), step, steps, reason=reason or "as advised")


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _note_row(note: NoteTrial) -> dict[str, Any]:
    return {
        "note": note.note, "register": note.register,
        "readings": [
            {"title": QUANTITIES[k].title, "value": r.value, "sigma": r.sigma, "unit": QUANTITIES[k].unit}
            for k, r in note.readings.items() if k in QUANTITIES
        ],
    }  # fmt: skip


def _shift_rows(before: HeadTrial, after: HeadTrial) -> list[dict[str, Any]]:
    return [
        {"note": s.note, "register": s.register, "title": QUANTITIES[s.quantity].title, "change": s.change,
         "sigma": s.sigma, "unit": s.unit, "sure": abs(s.change) > 2.0 * s.sigma}
        for s in shifts(before, after) if s.quantity != "comfortable_pa"
    ]  # fmt: skip


def _outcome_rows(records: Records) -> list[dict[str, Any]]:
    return [
        {
            "event": made.event_id, "title": made.title, "steps": made.steps,
            "within": sum(abs(c.sigmas) <= 2.0 for c in found),
            "readings": [
                {"note": c.forecast.note, "register": c.forecast.register,
                 "title": QUANTITIES[c.forecast.quantity].title, "unit": c.forecast.unit,
                 "forecast": c.forecast.change, "forecast_sigma": c.forecast.sigma, "outcome": c.outcome.change,
                 "outcome_sigma": c.outcome.sigma, "sigmas": c.sigmas}
                for c in found
            ],
        }
        for made, found in reversed(records.every_check())
    ]  # fmt: skip


def _advice_row(one: Advice) -> dict[str, Any]:
    adjustment = one.step.adjustment
    told = [f for f in one.forecasts if abs(f.change) > f.sigma]
    return {
        "key": one.step.key, "title": adjustment.title, "steps": one.steps, "gain": one.gain, "better": one.better,
        "evidence": one.evidence, "undo": adjustment.undo, "caution": adjustment.caution, "look": one.step.look,
        "reasons": one.reasons, "check": one.step.check,
        "habit": [
            f"{what} {'more' if sign == '+' else 'less' if sign == '-' else 'as before'}" for what, sign in one.practice
        ],
        "forecast": [
            {"note": f.note, "register": f.register, "title": QUANTITIES[f.quantity].title, "change": f.change,
             "sigma": f.sigma, "unit": f.unit}
            for f in told
        ],
    }  # fmt: skip
