"""One head on the voicing bench: a lock, the draft of its trial on disk, and what was computed for it.

Everything that the page is told of as kept is on disk first. What may be heard, typed, logged and judged is decided in
`shop`.
"""

import hashlib
import threading
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from fluewright.bench.voicing.advice import step_of
from fluewright.bench.voicing.trial import HeadTrial, check_order, merged
from fluewright.errors import InputError, RecordingError
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import with_sizes
from fluewright.ledger import open_ledger
from fluewright.listening.breath_log import read_breath_log
from fluewright.pictures.palette import Theme
from fluewright.shop.conditions import checked_temperature
from fluewright.shop.head_advice import HeadJudged, check_steps, check_words, evaluate_head, judge_head, log_done
from fluewright.shop.head_hearing import HeadHeard
from fluewright.shop.head_records import Records, read_records
from fluewright.shop.head_sitting import HeadSitting, finish_head_trial, trial_of
from fluewright.shop.models import recorded_model
from fluewright.web.head_draft import DraftStore, HeadDraft, TakenStep
from fluewright.web.voicing_view import StepTaken, advice_view, head_view

__all__ = ["VoicingRoom"]

_HEARD_KEPT = 64


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
        self.ledger, self.serial = ledger, serial
        self._lock = threading.RLock()
        self._judging = threading.Lock()
        with open_ledger(ledger, create=False) as book:
            piece = book.instrument(serial)
            self.sitting = HeadSitting(recorded_model(book, piece.model_name, piece.model_version))
        self._store = DraftStore(folder, serial)
        self._draft = self._store.read()
        self._heard: dict[tuple[Any, ...], HeadHeard] = {}
        self._judged: dict[tuple[int, tuple[str, ...]], HeadJudged] = {}

    @property
    def model(self) -> Model:
        """Return the model that the piece was begun with."""
        return self.sitting.model

    # --- what is taken

    def take(self, key: str, path: Path, name: str) -> None:
        """Take a recording for a step, in place of an earlier one; it is heard once before it is kept.

        Raises
        ------
        InputError, RecordingError
            No such step, or nothing of the step's notes is heard in it.
        """
        step = self.sitting.step(key)
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        with self._lock:
            heard = self._hear(key, path, TakenStep(name, digest))
            if step.kind != "swell" and not heard.notes:
                wanted = ", ".join(dict.fromkeys(n for n, _ in step.notes))
                raise InputError(
                    f"{name}: none of {wanted} was heard; play just these, about a second each, near the microphone"
                )
            self._store.keep_sound(path, digest)
            before = self._draft.takes.get(key)
            take = TakenStep(name, digest, before.log_sha256 if before else "")
            self._set(replace(self._draft, takes={**self._draft.takes, key: take}))

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
            swell = next(step.key for step in self.sitting.steps if step.kind == "swell")
            take = self._draft.takes.get(swell)
            if take is None:
                raise InputError(f"{name}: record the swell first, then give the breath log that was taken beside it")
            self._store.keep_sound(path, digest)
            with_log = replace(take, log_sha256=digest)
            self._hear(swell, self._store.sound_path(take.sha256), with_log)
            self._set(replace(self._draft, takes={**self._draft.takes, swell: with_log}))

    def read_column(self, note: str, register: int, quantity: str, value: float | None, unit: str = "") -> None:
        """Take or, with None, take back one typed reading; `unit` "mm" is mm of water.

        Raises
        ------
        InputError
            The model lacks the note, or the value cannot be.
        """
        key = f"{note} {register} {quantity}"
        with self._lock:
            typed = dict(self._draft.typed)
            if value is None:
                typed.pop(key, None)
            else:
                reading = self.sitting.column(note, register, quantity, value, unit=unit).readings[quantity]
                typed[key] = [reading.value, reading.sigma]
            changed = replace(self._draft, typed=typed)
            for one in merged(changed.typed_notes()):
                check_order(one)
            self._set(changed)

    def settle(
        self, *, checked: Sequence[str] | None = None, body: str | None = None, good: bool | None = None,
        temperature_c: float | None = None,
    ) -> None:  # fmt: skip
        """Set what was excluded, the reference body, whether the head is a good one, and the room; None leaves it.

        Raises
        ------
        InputError
            A word that names neither a check nor a cause, or a temperature that cannot be meant.
        """
        with self._lock:
            new = replace(self._draft)
            if checked is not None:
                check_words(self.model, checked)
                new.checked = list(dict.fromkeys(checked))
            if body is not None:
                new.body = body
            if good is not None:
                new.good = good
            if temperature_c is not None:
                new.temperature_c = checked_temperature(temperature_c)
            self._set(new)

    def throw_away(self) -> None:
        """Forget the present trial; what was excluded stays."""
        with self._lock:
            self._set(HeadDraft(checked=self._draft.checked, body=self._draft.body))

    def _set(self, draft: HeadDraft) -> None:
        self._store.keep(draft)
        self._draft = draft

    # --- what is heard

    @property
    def room_c(self) -> float:
        """Return the temperature of this trial."""
        given = self._draft.temperature_c
        return self.model.conditions.temperature_c if given is None else given

    def _hear(self, key: str, path: Path, take: TakenStep) -> HeadHeard:
        """Return what a step's recording says with the readings typed now."""
        typed, step = self._draft.typed_notes(), self.sitting.step(key)
        # Of what is typed only the breaths played, and those at the swell's own ends, change what is heard.
        own = {(*step.notes[0], q) for q in ("lowest_pa", "jump_pa")}
        matters = tuple(
            (n.note, n.register, q, r.value)
            for n in typed for q, r in n.readings.items()
            if q == "comfortable_pa" or (n.note, n.register, q) in own
        )  # fmt: skip
        known = (key, take, self.room_c, matters)
        if known not in self._heard:
            log = read_breath_log(self._store.sound_path(take.log_sha256)) if take.log_sha256 else None
            heard = self.sitting.hear_step(step, path, name=take.name, log=log, typed=typed, room_c=self.room_c)
            if len(self._heard) >= _HEARD_KEPT:
                self._heard.clear()
            self._heard[known] = heard
        return self._heard[known]

    def _taken(self) -> list[StepTaken]:
        """Return every step with what was heard of it, or why nothing is."""
        found = []
        for step in self.sitting.steps:
            take = self._draft.takes.get(step.key)
            heard, fault = None, ""
            if take is not None:
                try:
                    heard = self._hear(step.key, self._store.sound_path(take.sha256), take)
                except (RecordingError, InputError, OSError) as error:
                    fault = str(error)
            found.append(StepTaken(step, heard, fault))
        return found

    def _trial_so_far(self, taken: Sequence[StepTaken]) -> HeadTrial | None:
        return trial_of(
            self.model, [one.heard for one in taken if one.heard is not None], self._draft.typed_notes(),
            serial=self.serial, body=self._draft.body, good=self._draft.good, room_c=self.room_c,
        )  # fmt: skip

    def finish(self) -> int:
        """Log the trial and return its event.

        Raises
        ------
        InputError
            Nothing was taken yet, or breaths stand in an order that no note has.
        """
        with self._lock:
            event = finish_head_trial(self.ledger, self.serial, self.model, self._trial_so_far(self._taken()))
            draft = self._draft
            self._set(HeadDraft(checked=draft.checked, body=draft.body, temperature_c=draft.temperature_c))
            return event

    # --- what the page shows

    def records(self) -> Records:
        """Return what the ledger holds of this head."""
        return read_records(self.ledger, self.serial, self.model)

    def as_built(self) -> Model:
        """Return the model with the sizes that this piece has by the ledger."""
        with open_ledger(self.ledger, create=False) as book:
            return with_sizes(self.model, book.as_built(self.serial))

    def state(self, theme: Theme = "light", beside: int | None = None) -> dict[str, Any]:
        """Return everything that the page shows at once, as plain data.

        Parameters
        ----------
        theme : str
        beside : int, optional
            Event of the trial to show the newest one beside; by default the one before it.
        """
        with self._lock:
            taken = self._taken()
            now = self._trial_so_far(taken)
            shown = head_view(self.sitting, self._draft, self.records(), taken, now, theme=theme, beside=beside)
            return {"serial": self.serial, **shown}

    # --- what is wrong, and what to do

    def guided_notes(self) -> set[tuple[str, int]]:
        """Return every note of the guided trial: all are evaluated, so that no later trial has to wait."""
        return {n for step in self.sitting.steps for n in step.notes}

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
        return advice_view(self.judged())

    def done(self, key: str, steps: float, reason: str) -> int:
        """Log that an adjustment was made, with its forecast, and return its event.

        Raises
        ------
        InputError
            It is not known, or the steps cannot be meant.
        """
        step = step_of(key)
        check_steps(steps)
        return log_done(self.ledger, self.serial, self.judged(), step, steps, reason=reason or "as advised")
