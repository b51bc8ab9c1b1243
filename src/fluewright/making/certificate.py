"""What was measured on one finished instrument, on one page to hand over with it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from fluewright.errors import InputError
from fluewright.instrument.fingering import fingerings_of, governing_hole
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import size_words
from fluewright.making.paper import check_timestamp, write_pdf
from fluewright.making.tables import Table, breakable, svg_size_mm
from fluewright.pictures.chart import hanging_chart
from fluewright.pictures.numerals import fixed, general
from fluewright.pictures.results import NoteMark
from fluewright.units import signed

__all__ = [
    "CertificateCut",
    "CertificateNote",
    "MeasuringConditions",
    "cut_table",
    "note_table",
    "write_certificate",
]


@dataclass(frozen=True)
class CertificateNote:
    """One measured note: target and measured frequency, deviation, standard uncertainty and judgement."""

    note: str
    register: int
    target_hz: float
    measured_hz: float
    cents: float
    uncertainty_cents: float
    within_tolerance: bool


@dataclass(frozen=True)
class CertificateCut:
    """One removal of material: its round, the place, the size before and after in mm, a remark."""

    round: int
    place: str
    before_mm: float
    after_mm: float
    remark: str = ""


@dataclass(frozen=True)
class MeasuringConditions:
    """How it was measured: room air, breath in words or as a range of pressures, and the method in words."""

    temperature_c: float
    temperature_uncertainty_c: float | None = None
    relative_humidity: float | None = None
    breath_pa: tuple[float, float] | None = None
    breath: str = ""
    method: str = ""


def _finite(value: float) -> float:
    """Return the number, or refuse it where it is not finite."""
    if not math.isfinite(value):
        raise InputError(f"a number of the certificate is {value}, not finite. Leave that line out.")
    return value


def _condition_facts(model: Model, conditions: MeasuringConditions) -> list[list[str]]:
    air = f"{fixed(_finite(conditions.temperature_c), 1)} °C"
    if conditions.temperature_uncertainty_c is not None:
        air += f" ± {fixed(_finite(conditions.temperature_uncertainty_c), 1)} °C"
    if conditions.relative_humidity is not None:
        air += f", {fixed(_finite(100.0 * conditions.relative_humidity), 0)} % relative humidity"
    breath = []
    if conditions.breath_pa is not None:
        breath.append(
            f"{fixed(_finite(conditions.breath_pa[0]), 0)} to {fixed(_finite(conditions.breath_pa[1]), 0)} Pa"
        )
    if conditions.breath:
        breath.append(breakable(conditions.breath, 60))
    target = model.target
    facts = [
        ["measured at", air],
        ["breath", ", ".join(breath) or "as the player chose, pressure not measured"],
        [
            "target",
            f"A4 = {general(target.a4_hz)} Hz, {target.temperament} temperament, at "
            f"{general(model.conditions.temperature_c)} °C, "
            f"tolerance ±{general(target.tolerance_cents)} cents",
        ],
    ]
    if conditions.method:
        facts.append(["method", breakable(conditions.method, 60)])
    return facts


def note_table(rows: Sequence[CertificateNote]) -> Table:
    """Return the table of notes: target and measured Hz, cents with their uncertainty, whether within the tolerance.

    Raises
    ------
    InputError
        A number is not finite.
    """
    words = [
        [
            row.note, str(row.register), fixed(_finite(row.target_hz), 2), fixed(_finite(row.measured_hz), 2),
            f"{signed(_finite(row.cents))} ± {fixed(_finite(row.uncertainty_cents), 1)}",
            "yes" if row.within_tolerance else "NO",
        ]
        for row in rows
    ]  # fmt: skip
    return Table(["note", "reg.", "target Hz", "measured Hz", "cents", "within"], words, (0,))


def cut_table(cuts: Sequence[CertificateCut]) -> Table:
    """Return the table of cuts: round, place, size before and after in mm, remark.

    Raises
    ------
    InputError
        A number is not finite.
    """
    words = [
        [
            str(cut.round), size_words(cut.place), fixed(_finite(cut.before_mm)), fixed(_finite(cut.after_mm)),
            cut.remark,
        ]
        for cut in cuts
    ]  # fmt: skip
    return Table(["round", "place", "before mm", "after mm", "remark"], words, (1, 4))


def _chart(model: Model, rows: Sequence[CertificateNote], room_mm: float) -> str:
    """Return the hanging chart of what was measured, with the tallest lanes that the page holds."""
    governing: dict[tuple[int, str], int | None] = {}
    for fingering in fingerings_of(model):
        governing.setdefault((fingering.register, fingering.note), governing_hole(fingering))
    marks = [
        NoteMark(
            row.note, row.register, row.cents, row.uncertainty_cents, "measured",
            governing.get((row.register, row.note)),
        )
        for row in rows
    ]  # fmt: skip
    for lane in (28.0, 24.0, 20.0, 17.0, 14.0, 12.0):
        chart = hanging_chart(model, marks, theme="paper", width_mm=180.0, lane_height_mm=lane)
        if svg_size_mm(chart)[1] <= room_mm:
            break
    return chart


def write_certificate(
    path: Path | str,
    *,
    model: Model,
    serial: str,
    rows: Sequence[CertificateNote],
    conditions: MeasuringConditions,
    rounds: Sequence[CertificateCut],
    verdict: str,
    newest_event: str = "",
    timestamp: int | None,
) -> Path:
    """Write the certificate of one instrument: a workshop's own record of measurement, one A4 page.

    It goes on to a second page only when notes and cuts do not fit on one.

    Parameters
    ----------
    path : path
        File to write; replaced when it exists.
    model : Model
        The model that the instrument was made to.
    serial : str
        Serial of the instrument.
    rows : sequence of CertificateNote
        What was measured.
    conditions : MeasuringConditions
        Temperature, breath and method of the measurement.
    rounds : sequence of CertificateCut
        All cuts of the finishing, in order.
    verdict : str
        The maker's judgement in words.
    newest_event : str
        Hash of the ledger's last entry, so that the record can be found and checked again.
    timestamp : int or None
        Time of issue, seconds since 1970; equal input then gives equal bytes. None uses the present time.

    Returns
    -------
    Path
        That of the certificate.

    Raises
    ------
    InputError
        There is no measured note, a number is not finite, or the file cannot be written.
    """
    check_timestamp(timestamp)
    if not rows:
        raise InputError(f"certificate of {serial}: there is no measured note. Measure the instrument first.")
    inside = sum(row.within_tolerance for row in rows)
    dense = len(rows) + len(rounds) > 34
    size, gap = (6.4, 0.5) if dense else (7.2, 0.8)
    notes = note_table(rows).cut(1 if len(rows) <= 7 else 2)
    cuts = cut_table(rounds).cut(1 if len(rounds) <= 6 else 2) if rounds else []
    cut_lines = sum(1 if len(cut.remark) <= 14 and len(size_words(cut.place)) <= 18 else 2 for cut in rounds)
    line = 0.353 * size + 2.0 * gap
    tall = line * (len(rows) / len(notes) + cut_lines / max(len(cuts), 1) + 6.0)
    issued = datetime.now(UTC) if timestamp is None else datetime.fromtimestamp(timestamp, UTC)
    data = {
        "title": f"Certificate {serial}",
        "heading": "Certificate: record of measurement",
        "model": breakable(f"model {model.model.name}", 60),
        "serial": breakable(serial, 24),
        "date": f"{issued:%Y-%m-%d}",
        "facts": _condition_facts(model, conditions),
        "verdict": breakable(verdict, 80),
        "notes_title": f"Notes: {inside} of {len(rows)} within the tolerance",
        "notes": [table.form({}, size=size, gap=gap) for table in notes],
        "notes_words": "Cents from the target, positive when sharp, ± one standard uncertainty.",
        "chart": {"svg": _chart(model, rows, 180.0 - tall), "width": 180.0},
        "cuts": [table.form({1: 16, 4: 14}, size=size, gap=gap) for table in cuts],
        "ledger": breakable(f"ledger {newest_event}", 64) if newest_event else "",
        "words": "This page states what the workshop measured on this instrument on the day and under the conditions "
        "given. Pitch changes with temperature, breath and player. It is the maker's own record; no outside body has "
        "examined it.",
    }
    return write_pdf("certificate.typ", data, path, timestamp=timestamp, mode=0o600)
