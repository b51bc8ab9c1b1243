"""The demo told once from design to certificate: what is written where, and the rounds as rows."""

import itertools
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import predict_notes, targets_hz
from fluewright.acoustics.sounding import blow, find_jumps
from fluewright.acoustics.synthesis import scale_gesture, sound_of, swell_gesture
from fluewright.bench.prior import STATED_BELIEFS
from fluewright.demo.loop import LoopResult, Round, run_loop
from fluewright.design.fit import fit_model
from fluewright.errors import InputError
from fluewright.instrument.files import model_text, validate_model, write_model
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import LENGTH
from fluewright.instrument.starting import load, starting_models
from fluewright.ledger import open_ledger
from fluewright.listening import write_recording
from fluewright.making.certificate import CertificateCut, CertificateNote, MeasuringConditions, write_certificate
from fluewright.making.sheet import write_sheet
from fluewright.pictures.chart import hanging_chart
from fluewright.pictures.results import NoteMark
from fluewright.shop import ANALYSIS_VERSION, cut_forecast, trial_notes
from fluewright.units import cents_above

__all__ = ["Story", "demo_model", "run_story"]

A4_HZ = 442.0
HALL_C = 23.0
# Fixed time stamp of the demo's PDFs, so that a seed gives the same bytes.
TIMESTAMP = 1_700_000_000


@dataclass(frozen=True)
class Story:
    """What the demo did, as a table, and the files that it wrote."""

    title: str
    columns: list[str]
    rows: list[list[str]]
    verdict: str
    files: tuple[Path, ...]
    finished: bool
    seed: int

    def as_data(self) -> dict[str, Any]:
        """Return the story as plain data."""
        return {
            "seed": self.seed,
            "finished": self.finished,
            "verdict": self.verdict,
            "rounds": [dict(zip(self.columns, row, strict=True)) for row in self.rows],
            "files": [str(path) for path in self.files],
        }


def demo_model() -> Model:
    """Return `d5-cylinder` at A4 = 442 Hz for a hall at 23 degC, fitted."""
    raw = load("d5-cylinder").model_dump()
    raw["target"]["a4_hz"] = A4_HZ
    raw["conditions"]["temperature_c"] = HALL_C
    raw["model"]["name"] = "d5-cylinder-442"
    raw["model"]["lineage"] = "d5-cylinder"
    return fit_model(validate_model(raw, place="d5-cylinder")).model


def _note_marks(model: Model, last: Round | None = None) -> list[NoteMark]:
    """Return predicted marks, and measured ones of a round when given."""
    network = build_network(model)
    marks = []
    if last is None:
        return [
            NoteMark(p.note, p.register, p.cents, p.uncertainty_cents, "predicted", p.governing_hole)
            for p in predict_notes(network)
        ]
    targets = targets_hz(network)
    for i, f in enumerate(network.fingerings):
        if i in last.heard:
            hz, sigma = last.heard[i]
            marks.append(
                NoteMark(
                    f.note,
                    f.register,
                    float(cents_above(hz, targets[i])),
                    max(float(1731.23 * sigma / hz), float(last.verdict.sigma[i])),
                    "measured",
                    governing_hole(f),
                )
            )
    return marks


def _write_previews(model: Model, scale: Path, swell: Path) -> None:
    """Write the fitted design's scale, and a swell on its lowest note, as the jet and the air column make them."""
    blown = find_jumps(blow(build_network(model)))
    order = sorted({n.note: i for i, n in reversed(list(enumerate(blown.notes)))}.values())
    for gesture, path in (
        (scale_gesture(blown, order), scale),
        (swell_gesture(0, 0.95 * blown.notes[0].lowest_pa, 1.6 * blown.notes[0].highest_pa), swell),
    ):
        sound = sound_of(blown, gesture)
        write_recording(path, sound.samples(), sound.rate_hz)


def run_story(out: Path, *, seed: int, say: Callable[[str], None] = lambda text: None) -> Story:
    """Run the demo into a folder; files of an earlier run there are replaced.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
        recordings = out / "recordings"
        if recordings.exists():
            shutil.rmtree(recordings)
        recordings.mkdir()
        for old in out.glob("ledger.sqlite*"):
            old.unlink()
    except OSError as error:
        raise InputError(f"{out}: cannot be written ({error.strerror}); choose another --out") from error
    say("fitting d5-cylinder to A4 = 442 Hz at 23 degC")
    model = demo_model()
    model_path = out / "d5-cylinder-442.toml"
    model_path.unlink(missing_ok=True)
    write_model(model, model_path, like=starting_models()["d5-cylinder"])
    predicted = _note_marks(model)
    chart_path = out / "d5-cylinder-442.svg"
    chart_path.write_text(hanging_chart(model, predicted, title=model.model.name), encoding="utf-8")
    sheet_path = out / "d5-cylinder-442-sheet.pdf"
    say("writing the shop sheet")
    write_sheet(model, sheet_path, marks=predicted, timestamp=TIMESTAMP)
    say("blowing the design: a scale and a swell to hear")
    scale_path, swell_path = out / "d5-cylinder-442-scale.flac", out / "d5-cylinder-442-swell.flac"
    _write_previews(model, scale_path, swell_path)
    ledger_path = out / "ledger.sqlite"
    network = build_network(model)
    fingerings, targets = network.fingerings, targets_hz(network)
    with open_ledger(ledger_path) as book:
        version = book.add_model(model.model.name, model_text(model), lineage="d5-cylinder")
        serial = book.next_serial("D5")
        pending: list[Any] = []

        def on_round(this: Round, piece: Any) -> None:
            say(f"round {this.number}: played, heard {len(this.heard)} notes")
            if this.number == 1:
                book.add_instrument(
                    serial, version.name, version.version, material="plum wood, acetal block", lot="demo",
                    as_built=this.as_built,
                )  # fmt: skip
            for cut in pending:
                book.log_cut(
                    serial,
                    feature=cut.key,
                    before_mm=cut.before_mm,
                    after_mm=this.as_built[cut.key],
                    tool="file" if cut.key == LENGTH else "taper reamer by hand",
                    reason=f"{cut.note} flat",
                    forecast=cut_forecast(cut, fingerings),
                    as_built_after={cut.key: this.as_built[cut.key]},
                )
            pending.clear()
            book.log_trial(
                serial,
                temperature_c=model.conditions.temperature_c,
                relative_humidity=model.conditions.relative_humidity,
                recording_sha256=this.recording_sha256,
                recording_name=this.recording.name,
                analysis_version=ANALYSIS_VERSION,
                notes=trial_notes(fingerings, targets, this.heard),
                as_built=dict(this.as_built),
            )
            pending.extend(this.verdict.plan)

        result = run_loop(model, seed=seed, folder=recordings, on_round=on_round)
        last = result.rounds[-1]
        finished = last.verdict.state == "finished"
        book.set_state(serial, "tuned" if finished else "on hold", "; ".join(last.verdict.reasons))
        head = book.head()
    say("writing the certificate")
    certificate_path = out / f"{serial}-certificate.pdf"
    tolerance = model.target.tolerance_cents
    verdict = _verdict_text(last, finished, tolerance, result)
    rows = [
        CertificateNote(
            note=fingerings[i].note,
            register=fingerings[i].register,
            target_hz=float(targets[i]),
            measured_hz=hz,
            cents=float(cents_above(hz, targets[i])),
            uncertainty_cents=float(np.hypot(1731.23 * sigma / hz, STATED_BELIEFS.blowing_cents)),
            within_tolerance=bool(abs(last.verdict.cents[i]) <= tolerance),
        )
        for i, (hz, sigma) in sorted(last.heard.items())
    ]
    write_certificate(
        certificate_path,
        model=model,
        serial=serial,
        rows=rows,
        conditions=MeasuringConditions(
            temperature_c=model.conditions.temperature_c,
            temperature_uncertainty_c=0.5,
            relative_humidity=model.conditions.relative_humidity,
            method=f"one recording of every note, {ANALYSIS_VERSION}; within tolerance by the mean of all trials",
        ),
        rounds=[
            CertificateCut(round=r.number, place=cut.feature, before_mm=cut.before_mm, after_mm=after.as_built[cut.key])
            for r, after in itertools.pairwise(result.rounds)
            for cut in r.verdict.plan
        ],
        verdict=verdict,
        ledger_head=f"event {head[0]}, {head[1]}",
        timestamp=TIMESTAMP,
    )
    final_chart = out / f"{serial}.svg"
    final_chart.write_text(hanging_chart(model, _note_marks(model, last), title=serial), encoding="utf-8")
    return Story(
        title=f"{serial}: play, listen, cut (seed {seed})",
        columns=["round", "worst reg. 1", "worst reg. 2", "next cut", "from mm", "to mm", "risk"],
        rows=[row for r in result.rounds for row in _rows(r, fingerings)],
        verdict=verdict,
        files=(
            model_path,
            chart_path,
            sheet_path,
            scale_path,
            swell_path,
            ledger_path,
            recordings,
            final_chart,
            certificate_path,
        ),
        finished=finished,
        seed=seed,
    )


def _rows(this: Round, fingerings: Any) -> list[list[str]]:
    cents = this.verdict.cents

    def worst(register: int) -> str:
        chosen = [i for i, f in enumerate(fingerings) if f.register == register]
        if not chosen:
            return "-"
        at = max(chosen, key=lambda i: abs(cents[i]))
        return f"{fingerings[at].note} {cents[at]:+.1f}"

    begins = [str(this.number), worst(1), worst(2)]
    if not this.verdict.plan:
        return [[*begins, this.verdict.state, "", "", ""]]
    return [
        [
            *(begins if i == 0 else ["", "", ""]), cut.feature, f"{cut.before_mm:.2f}", f"{cut.after_mm:.2f}",
            f"{cut.overshoot:.2%}",
        ]
        for i, cut in enumerate(this.verdict.plan)
    ]  # fmt: skip


def _verdict_text(last: Round, finished: bool, tolerance: float, result: LoopResult) -> str:
    first = result.first_register
    worst = float(np.abs(last.verdict.cents[first]).max())
    upper = float(np.abs(last.verdict.cents[~first]).max()) if (~first).any() else 0.0
    cuts = len(result.cuts)
    if finished:
        return (
            f"Finished after {len(result.rounds)} trials and {cuts} cuts: every note of the first register within "
            f"{tolerance:g} cents (worst {worst:.1f}); second register worst {upper:.1f} cents."
        )
    return f"Left after {len(result.rounds)} trials and {cuts} cuts: " + "; ".join(last.verdict.reasons)
