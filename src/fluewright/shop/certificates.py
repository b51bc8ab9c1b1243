"""The certificate of a piece as it was last played."""

import time
from collections.abc import Iterable
from pathlib import Path

from fluewright.bench.verdict import Verdict
from fluewright.bench.words import reason_words, result_words
from fluewright.errors import InputError
from fluewright.ledger import Cut, Event, Trial, open_ledger
from fluewright.making.certificate import CertificateCut, CertificateNote, MeasuringConditions, write_certificate
from fluewright.shop.played import note_index
from fluewright.shop.sitting import Sitting

__all__ = ["certify"]


def certify(
    sitting: Sitting, path: Path, *, temperature_uncertainty_c: float | None = None, timestamp: int | None = None
) -> Path:
    """Write the certificate of a piece and return its file.

    Parameters
    ----------
    sitting : Sitting
        With a piece of the ledger, played since it was last cut.
    path : Path
    temperature_uncertainty_c : float, optional
        Of the thermometer.
    timestamp : int, optional
        Creation time in seconds since 1970; by default now.

    Raises
    ------
    InputError
        The piece is in no ledger, was not played yet or was cut since, or the file cannot be written.
    """
    record = sitting.recorded
    verdict = sitting.verdict()
    if verdict is None:
        raise InputError(f"{record.serial} was not played yet: a certificate needs a trial; play it first")
    if not sitting.played_as_it_is:
        raise InputError(
            f"{record.serial} was cut since it was last played: play every note again and end the trial; then the "
            "certificate says what the piece is"
        )
    with open_ledger(record.ledger, create=False) as book:
        history = book.history(record.serial)
        event, digest = book.newest_event()
    last = [e for e in history if isinstance(e, Trial) and not e.corrected][-1]
    reasons = "; ".join(map(reason_words, verdict.reasons)) or "see the notes"
    return write_certificate(
        path,
        model=sitting.model,
        serial=record.serial,
        rows=_rows(sitting, verdict, last),
        conditions=MeasuringConditions(
            temperature_c=last.temperature_c,
            temperature_uncertainty_c=temperature_uncertainty_c,
            relative_humidity=last.relative_humidity,
            method=f"{last.recording_name}, {last.analysis_version}; cents by the mean of all trials, at the design's "
            "temperature and breath",
        ),
        rounds=_rounds(history),
        verdict=f"{result_words(verdict.state)}: {reasons}",
        newest_event=f"event {event}, {digest}",
        timestamp=int(time.time()) if timestamp is None else timestamp,
    )


def _rows(sitting: Sitting, verdict: Verdict, last: Trial) -> list[CertificateNote]:
    at, tolerance = note_index(sitting.pitch.fingerings), sitting.model.target.tolerance_cents
    rows = []
    for note in last.notes:
        i = at.get((note.note, note.register))
        if i is not None:
            cents, sigma = float(verdict.cents[i]), float(verdict.sigma[i])
            within = abs(cents) <= tolerance
            rows.append(
                CertificateNote(note.note, note.register, note.target_hz, note.frequency_hz, cents, sigma, within)
            )
    return rows


def _rounds(history: Iterable[Event]) -> list[CertificateCut]:
    """Return every cut with the number of the trial before it."""
    number, rounds = 0, []
    for event in history:
        if isinstance(event, Trial):
            number += 1
        elif isinstance(event, Cut):
            rounds.append(CertificateCut(number, event.feature, event.before_mm, event.after_mm, event.reason))
    return rounds
