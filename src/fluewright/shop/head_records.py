"""Head trials and adjustments between the bench's voicing and the ledger."""

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from fluewright.bench.voicing.advice import Checked, ReadingForecast, Step, check_forecast, forecast_from_plain
from fluewright.bench.voicing.learned import Outcome
from fluewright.bench.voicing.trial import HeadTrial, trial_from_plain
from fluewright.errors import InputError
from fluewright.files import read_text
from fluewright.instrument.model import Model
from fluewright.ledger import AdjustmentMade, HeadTrialLogged, Ledger, open_ledger
from fluewright.version import __version__

__all__ = [
    "HEAD_ANALYSIS_VERSION", "Records", "log_adjustment", "log_head_trial", "read_records", "read_trial_file",
]  # fmt: skip

HEAD_ANALYSIS_VERSION = f"fluewright-voicing/{__version__}"
_MOST_BYTES = 1 << 24


@dataclass(frozen=True)
class Records:
    """What the ledger holds for one head.

    Attributes
    ----------
    trials : tuple of (int, HeadTrial)
        The piece's own, oldest first, with their events.
    since : tuple of AdjustmentMade
        Adjustments since its last trial.
    before_last : tuple of AdjustmentMade
        Those between its last two trials.
    good : tuple of HeadTrial
        Of other pieces of the same model that their maker calls good.
    outcomes : tuple of Outcome
        Adjustments with a trial before and after, on all pieces.
    judged : tuple of (AdjustmentMade, HeadTrial, HeadTrial)
        The piece's own adjustments that stand alone between two of its trials, with these.
    """

    trials: tuple[tuple[int, HeadTrial], ...]
    since: tuple[AdjustmentMade, ...]
    before_last: tuple[AdjustmentMade, ...]
    good: tuple[HeadTrial, ...]
    outcomes: tuple[Outcome, ...]
    judged: tuple[tuple[AdjustmentMade, HeadTrial, HeadTrial], ...] = ()

    def every_check(self) -> tuple[tuple[AdjustmentMade, tuple[Checked, ...]], ...]:
        """Return every forecast that a later trial could check, oldest first."""
        return tuple(
            (m, check_forecast(forecast_from_plain(m.forecast), before, after)) for m, before, after in self.judged
        )

    def checked(self, after: HeadTrial | None = None) -> tuple[tuple[AdjustmentMade, tuple[Checked, ...]], ...]:
        """Return each forecast made since the trial before, beside what came of it in `after` (or in the last)."""
        if after is None:
            return self.every_check()[-1:] if self.judged and self.judged[-1][0] in self.before_last else ()
        if not self.trials or len(self.since) != 1:
            return ()
        made = self.since[0]
        return ((made, check_forecast(forecast_from_plain(made.forecast), self.trials[-1][1], after)),)


def _trial(event: HeadTrialLogged) -> HeadTrial:
    trial = trial_from_plain(event.readings)
    return replace(
        trial, head=event.serial, body=event.body, good=event.good, temperature_c=event.temperature_c
    )  # fmt: skip


def read_records(ledger: Path, serial: str, model: Model) -> Records:
    """Return what the ledger holds for a head.

    Raises
    ------
    InputError
        The piece is of another model.
    """
    with open_ledger(ledger, create=False) as book:
        piece = book.instrument(serial)
        if piece.model_name != model.model.name:
            raise InputError(
                f"{serial} was begun with {piece.model_name}, the model named is {model.model.name}; name the model of "
                "the piece",
                field="model",
            )
        events = book.voicing()
        models = {i.serial: i.model_name for i in book.instruments()}
    own = [e for e in events if e.serial == piece.serial]
    trials = [(e.event_id, _trial(e)) for e in own if isinstance(e, HeadTrialLogged)]
    places = [k for k, e in enumerate(own) if isinstance(e, HeadTrialLogged)]
    since = own[places[-1] + 1 :] if places else own
    between = own[places[-2] + 1 : places[-1]] if len(places) > 1 else []
    good: dict[str, HeadTrial] = {}
    for event in events:
        same = models[event.serial] == model.model.name and event.serial != piece.serial
        if isinstance(event, HeadTrialLogged) and event.good and same:
            good[event.serial] = _trial(event)  # a head's newest
    return Records(
        tuple(trials), tuple(e for e in since if isinstance(e, AdjustmentMade)),
        tuple(e for e in between if isinstance(e, AdjustmentMade)), tuple(good.values())[-6:],
        _outcomes(events, models, model.model.name), tuple(_alone(own)),
    )  # fmt: skip


def _outcomes(
    events: list[HeadTrialLogged | AdjustmentMade], models: Mapping[str, str], name: str
) -> tuple[Outcome, ...]:
    """Return adjustments that stand alone between two trials on the same body."""
    return tuple(
        Outcome(made.adjustment, made.steps, before, after, models[serial] == name)
        for serial in dict.fromkeys(e.serial for e in events)
        for made, before, after in _alone([e for e in events if e.serial == serial])
        if before.body == after.body
    )


def _alone(
    events: Iterable[HeadTrialLogged | AdjustmentMade],
) -> Iterator[tuple[AdjustmentMade, HeadTrial, HeadTrial]]:
    """Yield each adjustment of one piece that stands alone between two trials, with these.

    Where several things were done at once, no forecast can be told from another.
    """
    before: HeadTrialLogged | None = None
    made: list[AdjustmentMade] = []
    for event in events:
        if isinstance(event, AdjustmentMade):
            made.append(event)
            continue
        if before is not None and len(made) == 1:
            yield made[0], _trial(before), _trial(event)
        before, made = event, []


def log_head_trial(ledger: Path, serial: str, trial: HeadTrial, *, remarks: str = "") -> int:
    """Record a head's trial and return its event; what may be recorded is decided in `head_sitting`."""
    with open_ledger(ledger, create=False) as book:
        return book.log_head_trial(
            serial, readings=trial.to_plain(), temperature_c=trial.temperature_c,
            analysis_version=HEAD_ANALYSIS_VERSION, body=trial.body, good=trial.good, remarks=remarks,
        ).event_id  # fmt: skip


def log_adjustment(
    ledger: Path, serial: str, step: Step, steps: float, forecasts: tuple[ReadingForecast, ...], *, reason: str
) -> int:
    """Record an adjustment with its forecast and return its event; sizes that the ledger knows move with it."""
    changes = {key: steps * change for key, change in step.adjustment.steps}
    with open_ledger(ledger, create=False) as book:
        known = book.as_built(serial)
        return _logged(book, serial, step, steps, changes, known, forecasts, reason)


def _logged(
    book: Ledger, serial: str, step: Step, steps: float, changes: Mapping[str, float], known: Mapping[str, float],
    forecasts: tuple[ReadingForecast, ...], reason: str,
) -> int:  # fmt: skip
    return book.log_adjustment(
        serial,
        adjustment=step.key,
        title=step.adjustment.title,
        steps=steps,
        changes=changes,
        forecast={"analysis": HEAD_ANALYSIS_VERSION, "readings": [f.to_plain() for f in forecasts]},
        reason=reason,
        as_built_after={k: round(known[k] + v, 6) for k, v in changes.items() if k in known},
    ).event_id


def read_trial_file(path: Path) -> HeadTrial:
    """Return a trial kept in a JSON file.

    Raises
    ------
    InputError
        The file cannot be read or holds no trial.
    """
    text = read_text(path, "a head trial", most_bytes=_MOST_BYTES)
    try:
        said: Any = json.loads(text)
        if not isinstance(said, dict):
            raise ValueError("no object")
        return trial_from_plain(said)
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError) as fault:
        raise InputError(
            f"{path}: is no head trial ({fault}); give a file that `fluewright trial --out` wrote"
        ) from None
