"""What was measured on one finished instrument, on one page to hand over with it."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from fluewright.errors import InputError
from fluewright.instrument.fingering import fingerings_of, governing_hole
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import size_words
from fluewright.making.paper import check_timestamp, write_pdf
from fluewright.pictures.chart import hanging_chart
from fluewright.pictures.results import NoteMark

__all__ = ["CertificateCut", "CertificateNote", "MeasuringConditions", "write_certificate"]


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


def _num(value: float, digits: int, *, sign: bool = False) -> str:
    if not math.isfinite(value):
        raise InputError(f"a number of the certificate is {value}, not finite. Leave that line out.")
    return f"{value:{'+' if sign else ''}.{digits}f}".replace("-", "−")


def _height_mm(svg: str) -> float:
    match = re.match(r'<svg [^>]*?height="([0-9.]+)mm"', svg)
    if match is None:
        raise ValueError("a drawing without a height")
    return float(match.group(1))


def _breakable(text: str, run: int) -> str:
    """Allow a line break inside long words, so that none runs over its column."""
    words = [
        "\u200b".join(word[i : i + run] for i in range(0, len(word), run)) if len(word) > run else word
        for word in text.split()
    ]
    return " ".join(words)


def _tables(
    columns: Sequence[str],
    rows: Sequence[Sequence[str]],
    left: Sequence[int],
    *,
    most_rows: int,
    size: float,
    gap: float,
) -> list[dict[str, object]]:
    count = 1 if len(rows) <= most_rows else 2
    share = max(1, math.ceil(len(rows) / count))
    return [
        {
            "columns": list(columns),
            "right": [i not in left for i in range(len(columns))],
            "rows": [list(row) for row in rows[i : i + share]],
            "size": size,
            "gap": gap,
        }
        for i in range(0, len(rows), share)
    ]


def _condition_facts(model: Model, conditions: MeasuringConditions) -> list[list[str]]:
    air = f"{_num(conditions.temperature_c, 1)} °C"
    if conditions.temperature_uncertainty_c is not None:
        air += f" ± {_num(conditions.temperature_uncertainty_c, 1)} °C"
    if conditions.relative_humidity is not None:
        air += f", {100.0 * conditions.relative_humidity:.0f} % relative humidity"
    breath = []
    if conditions.breath_pa is not None:
        breath.append(f"{_num(conditions.breath_pa[0], 0)} to {_num(conditions.breath_pa[1], 0)} Pa")
    if conditions.breath:
        breath.append(_breakable(conditions.breath, 60))
    target = model.target
    facts = [
        ["measured at", air],
        ["breath", ", ".join(breath) or "as the player chose, pressure not measured"],
        [
            "target",
            f"A4 = {target.a4_hz:g} Hz, {target.temperament} temperament, at "
            f"{model.conditions.temperature_c:g} °C, "
            f"tolerance ±{target.tolerance_cents:g} cents",
        ],
    ]
    if conditions.method:
        facts.append(["method", _breakable(conditions.method, 60)])
    return facts


def write_certificate(
    path: Path | str,
    *,
    model: Model,
    serial: str,
    rows: Sequence[CertificateNote],
    conditions: MeasuringConditions,
    rounds: Sequence[CertificateCut],
    verdict: str,
    ledger_head: str = "",
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
    ledger_head : str
        Hash of the ledger's last entry, so that the record can be found and checked again.
    timestamp : int or None
        Time of issue, seconds since 1970; equal input then gives equal bytes. None uses the present time.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        There is no measured note, a number is not finite, or the file cannot be written.
    """
    check_timestamp(timestamp)
    if not rows:
        raise InputError(f"certificate of {serial}: there is no measured note. Measure the instrument first.")
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
    note_rows = [
        [
            row.note,
            str(row.register),
            _num(row.target_hz, 2),
            _num(row.measured_hz, 2),
            f"{_num(row.cents, 1, sign=True)} ± {_num(row.uncertainty_cents, 1)}",
            "yes" if row.within_tolerance else "NO",
        ]
        for row in rows
    ]
    inside = sum(row.within_tolerance for row in rows)
    cut_rows = [
        [
            str(cut.round),
            _breakable(size_words(cut.place), 16),
            _num(cut.before_mm, 2),
            _num(cut.after_mm, 2),
            _breakable(cut.remark, 14),
        ]
        for cut in rounds
    ]
    dense = len(rows) + len(rounds) > 34
    size, gap = (6.4, 0.5) if dense else (7.2, 0.8)
    line = 0.353 * size + 2.0 * gap
    note_tables = _tables(
        ["note", "reg.", "target Hz", "measured Hz", "cents", "within"],
        note_rows,
        (0,),
        most_rows=7,
        size=size,
        gap=gap,
    )
    cut_tables = _tables(
        ["round", "place", "before mm", "after mm", "remark"],
        cut_rows,
        (1, 4),
        most_rows=6,
        size=size,
        gap=gap,
    )
    cut_lines = sum(1 if len(cut.remark) <= 14 and len(size_words(cut.place)) <= 18 else 2 for cut in rounds)
    tall = line * (len(rows) / len(note_tables) + cut_lines / max(len(cut_tables), 1) + 6.0)
    room = 180.0 - tall
    for lane in (28.0, 24.0, 20.0, 17.0, 14.0, 12.0):
        chart = hanging_chart(model, marks, theme="paper", width_mm=180.0, lane_height_mm=lane)
        if _height_mm(chart) <= room:
            break
    issued = datetime.now(UTC) if timestamp is None else datetime.fromtimestamp(timestamp, UTC)
    data = {
        "title": f"Certificate {serial}",
        "heading": "Certificate: record of measurement",
        "model": _breakable(f"model {model.model.name}", 60),
        "serial": _breakable(serial, 24),
        "date": f"{issued:%Y-%m-%d}",
        "facts": _condition_facts(model, conditions),
        "verdict": _breakable(verdict, 80),
        "notes_title": f"Notes: {inside} of {len(rows)} within the tolerance",
        "notes": note_tables,
        "notes_words": "Cents from the target, positive when sharp, ± one standard uncertainty.",
        "chart": {"svg": chart, "width": 180.0},
        "cuts": cut_tables,
        "ledger": _breakable(f"ledger {ledger_head}", 64) if ledger_head else "",
        "words": "This page states what the workshop measured on this instrument on the day and under the "
            "conditions "
        "given. Pitch changes with temperature, breath and player. It is the maker's own record; no outside "
        "body has "
        "examined it.",
    }  # fmt: skip
    return write_pdf("certificate.typ", data, path, timestamp=timestamp)
