"""The demo told once from design to certificate: what is written where, and the rounds as rows."""

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import predict_notes
from fluewright.acoustics.sounding import blow, find_jumps
from fluewright.acoustics.synthesis import scale_gesture, scale_rows, sound_of, swell_gesture
from fluewright.bench.verdict import State
from fluewright.bench.words import reason_words
from fluewright.demo.set_plan import A4_HZ, HALL_C
from fluewright.demo.true_pieces import Making, TruePiece
from fluewright.demo.tuning import HEAD_SIZES, Round, Tuned, drill, tune
from fluewright.design.fit import fit_model
from fluewright.errors import InputError
from fluewright.files import write_whole
from fluewright.instrument.changes import renamed, with_target
from fluewright.instrument.files import write_model
from fluewright.instrument.fingering import Fingering, governing_hole
from fluewright.instrument.model import Model
from fluewright.instrument.starting import load, starting_models
from fluewright.ledger import PieceState
from fluewright.listening import write_recording
from fluewright.making.sheet import write_sheet
from fluewright.pictures.chart import hanging_chart
from fluewright.pictures.results import NoteMark
from fluewright.shop.certificates import certify
from fluewright.shop.models import save_version
from fluewright.shop.pieces import begin_piece, set_state
from fluewright.shop.result_pictures import predicted_marks
from fluewright.shop.sitting import sit_down
from fluewright.units import signed

__all__ = ["Story", "demo_model", "make_piece", "run_story"]

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
    return fit_model(
        with_target(renamed(load("d5-cylinder"), "d5-cylinder-442"), a4_hz=A4_HZ, temperature_c=HALL_C)
    ).model


def _measured(tuned: Tuned) -> list[NoteMark]:
    """Return what the last trial left, by all trials."""
    verdict = tuned.verdict
    heard = tuned.rounds[-1].judged.advice.trials[-1].notes
    fingerings = tuned.rounds[-1].judged.advice.fingerings
    return [
        NoteMark(f.note, f.register, float(verdict.cents[i]), float(verdict.sigma[i]), "measured", governing_hole(f))
        for i, f in enumerate(fingerings)
        if i in heard
    ]


def _write_previews(model: Model, scale: Path, swell: Path) -> None:
    """Write the fitted design's scale, and a swell on its lowest note, as the jet and the air column make them."""
    blown = find_jumps(blow(build_network(model)))
    for gesture, path in (
        (scale_gesture(blown, scale_rows(blown)), scale),
        (swell_gesture(0, 0.95 * blown.notes[0].lowest_pa, 1.6 * blown.notes[0].highest_pa), swell),
    ):
        sound = sound_of(blown, gesture)
        write_recording(path, sound.samples(), sound.rate_hz)


def make_piece(
    ledger: Path, model: Model, *, seed: int, recordings: Path | None = None,
    on_round: Callable[[Round], None] | None = None,
) -> tuple[str, Tuned, TruePiece]:  # fmt: skip
    """Enter the model in a ledger, make one virtual piece of it, and bring it into tune.

    Returns
    -------
    (str, Tuned, TruePiece)
        Its serial, how it came out, and the truth, for judging only.
    """
    saved = save_version(ledger, model)
    serial = begin_piece(ledger, saved.name, prefix="D5", material="plum wood, acetal block", lot="demo")
    sitting = sit_down(ledger, serial)
    piece = TruePiece(Making(sitting.pitch, [seed, 99]), [seed])
    drilled = drill(ledger, serial, piece, made=piece.gauge(HEAD_SIZES))
    rng = np.random.default_rng([seed, 1])
    return serial, tune(drilled, piece, rng=rng, recordings=recordings, on_round=on_round), piece


def run_story(out: Path, *, seed: int, say: Callable[[str], None] = lambda text: None) -> Story:
    """Run the demo into a folder; files of an earlier run there are replaced.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    recordings = _cleared(out)
    say("fitting d5-cylinder to A4 = 442 Hz at 23 degC")
    model = demo_model()
    name, tolerance = model.model.name, model.target.tolerance_cents
    model_path = _write_model(model, out / f"{name}.toml")
    predicted = predicted_marks(predict_notes(build_network(model)))
    chart_path = write_whole(out / f"{name}.svg", hanging_chart(model, predicted, title=name))
    say("writing the shop sheet")
    sheet_path = out / f"{name}-sheet.pdf"
    write_sheet(model, sheet_path, marks=predicted, timestamp=TIMESTAMP)
    say("blowing the design: a scale and a swell to hear")
    scale_path, swell_path = out / f"{name}-scale.flac", out / f"{name}-swell.flac"
    _write_previews(model, scale_path, swell_path)
    ledger_path = out / "ledger.sqlite"
    serial, tuned, _ = make_piece(
        ledger_path, model, seed=seed, recordings=recordings,
        on_round=lambda r: say(f"round {r.number}: played, heard {len(r.judged.advice.trials[-1].notes)} notes"),
    )  # fmt: skip
    finished = tuned.verdict.state is State.FINISHED
    why = "; ".join(map(reason_words, tuned.verdict.reasons))
    set_state(ledger_path, serial, PieceState.TUNED if finished else PieceState.ON_HOLD, reason=why)
    say("writing the certificate")
    certificate_path = certify(
        sit_down(ledger_path, serial), out / f"{serial}-certificate.pdf", temperature_uncertainty_c=0.5,
        timestamp=TIMESTAMP,
    )  # fmt: skip
    final_chart = write_whole(out / f"{serial}.svg", hanging_chart(model, _measured(tuned), title=serial))
    return Story(
        title=f"{serial}: play, listen, cut (seed {seed})",
        columns=["round", "worst reg. 1", "worst reg. 2", "next cut", "from mm", "to mm", "risk"],
        rows=[row for r in tuned.rounds for row in _rows(r)],
        verdict=_verdict_text(tuned, finished, tolerance),
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


def _cleared(out: Path) -> Path:
    """Return the folder of the recordings, with what an earlier run left taken away."""
    recordings = out / "recordings"
    try:
        out.mkdir(parents=True, exist_ok=True)
        if recordings.exists():
            shutil.rmtree(recordings)
        recordings.mkdir()
        for old in out.glob("ledger.sqlite*"):
            old.unlink()
    except OSError as error:
        raise InputError(f"{out}: cannot be written ({error.strerror}); choose another folder", field="out") from error
    return recordings


def _write_model(model: Model, path: Path) -> Path:
    """Write a model with the comments of its starting model, and return the file."""
    path.unlink(missing_ok=True)
    write_model(model, path, like=starting_models()[model.model.lineage])
    return path


def _worst(cents: np.ndarray[Any, Any], fingerings: tuple[Fingering, ...], register: int) -> str:
    chosen = [i for i, f in enumerate(fingerings) if f.register == register]
    if not chosen:
        return "-"
    at = max(chosen, key=lambda i: abs(cents[i]))
    return f"{fingerings[at].note} {signed(float(cents[at]))}"


def _rows(this: Round) -> list[list[str]]:
    cents, fingerings = this.verdict.cents, this.judged.advice.fingerings
    begins = [str(this.number), _worst(cents, fingerings, 1), _worst(cents, fingerings, 2)]
    if not this.plan:
        return [[*begins, str(this.verdict.state), "", "", ""]]
    return [
        [
            *(begins if i == 0 else ["", "", ""]), cut.feature, f"{cut.before_mm:.2f}", f"{cut.after_mm:.2f}",
            f"{cut.overshoot:.2%}",
        ]
        for i, cut in enumerate(this.plan)
    ]  # fmt: skip


def _verdict_text(tuned: Tuned, finished: bool, tolerance: float) -> str:
    first = tuned.rounds[-1].judged.sitting.pitch.first_register
    cents = np.abs(tuned.verdict.cents)
    upper = float(cents[~first].max()) if (~first).any() else 0.0
    if finished:
        return (
            f"Finished after {tuned.trials} trials and {tuned.cuts} cuts: every note of the first register within "
            f"{tolerance:g} cents (worst {float(cents[first].max()):.1f}); second register worst {upper:.1f} cents."
        )
    why = "; ".join(map(reason_words, tuned.verdict.reasons))
    return f"Left after {tuned.trials} trials and {tuned.cuts} cuts: {why}"
