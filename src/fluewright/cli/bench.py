"""At the bench: what was played tells the model of the piece, and the model the next safe cuts."""

import re
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer

from fluewright.cli.arguments import JsonOpt, ModelArg, existing_ledger, sizes_of
from fluewright.cli.listening import hear
from fluewright.cli.printing import finite, print_json, print_table, warn
from fluewright.errors import InputError
from fluewright.files import write_whole

__all__ = ["calibrate_command", "next_cut_command", "trust_command"]

RecordingsArg = Annotated[list[Path], typer.Argument(metavar="RECORDING...", help="Recordings of this piece as it is.")]
SizeOpt = Annotated[
    list[str] | None, typer.Option("--size", help="Present size, KEY=MM, where it differs from the model.")
]
TemperatureOpt = Annotated[float | None, typer.Option("--temperature-c", help="Air in the bore now.")]
BreathOpt = Annotated[
    float | None, typer.Option("--breath-pa", help="Breath measured on the lowest note; the others by the plan.")
]
LedgerOpt = Annotated[
    Path | None, typer.Option("--ledger", help="Use earlier trials of --serial and other pieces; log this trial.")
]
SerialOpt = Annotated[str | None, typer.Option("--serial", help="The piece in the ledger.")]
PlotOpt = Annotated[Path | None, typer.Option("--plot", help="Write the hanging chart as SVG.")]


@dataclass(frozen=True)
class _Sitting:
    """One sitting at the bench: the advice, the model it is for, warnings, and how many other pieces taught."""

    model: Any
    advice: Any
    warnings: list[str]
    sizes: dict[str, float]
    pieces: int


def _sit(
    model: str,
    recordings: list[Path],
    size: list[str] | None,
    temperature_c: float | None,
    breath_pa: float | None,
    ledger: Path | None,
    serial: str | None,
    policy: Any,
) -> _Sitting:
    """Hear the recordings, judge them with all that is known, log them, and return what was found."""
    from fluewright.bench.pitch_model import PitchModel
    from fluewright.bench.session import advise
    from fluewright.instrument.breath import breath_pressure_pa
    from fluewright.instrument.starting import load
    from fluewright.shop import check_same_piece, checked_sizes, earlier_trials, learned_from, log_heard

    if (ledger is None) != (serial is None):
        raise InputError("--ledger and --serial go together: name both, or neither")
    if temperature_c is not None and not -20.0 <= temperature_c <= 60.0:
        raise InputError(f"--temperature-c is {temperature_c}; it must lie between -20 and 60 degC")
    given = sizes_of(size or [])
    loaded = load(model)
    ratio = None
    if breath_pa is not None:
        planned = breath_pressure_pa(loaded.target, loaded.model.lowest_note, loaded.model.lowest_note)
        ratio = breath_pa / planned
        if not 0.05 <= ratio <= 20.0:
            raise InputError(
                f"--breath-pa is {breath_pa:g}; {loaded.model.name} plans {planned:.0f} Pa for its lowest note, and "
                "0.05 to 20 times that can be meant: check the unit (10 mm of water are 98 Pa)"
            )
    sizes, earlier, known = checked_sizes(loaded, given, place="--size"), [], frozenset[str]()
    warnings: list[str] = []
    pitch = PitchModel.of(loaded)
    prior, pieces = None, 0
    if ledger is not None and serial is not None:
        piece = earlier_trials(existing_ledger(ledger), serial, loaded)
        sizes, earlier, known = {**piece.as_built, **sizes}, list(piece.trials), piece.recordings
        warnings += piece.warnings
        shop = learned_from(ledger, pitch, without=serial)
        prior, pieces = shop.prior, shop.prior.pieces
    heard = []
    for path in recordings:
        sound, hearing, odd = hear(path)
        if not hearing.notes:
            raise InputError("; ".join(odd) or f"{path}: no notes heard; play each note once, slowly")
        warnings += odd
        if sound.sha256 in known:
            warnings.append(f"{path}: this recording was counted before; it is not counted or logged again")
            continue
        known |= {sound.sha256}
        heard.append((path, sound, hearing))
    advice = advise(
        pitch,
        [hearing.notes for _, _, hearing in heard],
        as_built=sizes,
        earlier=earlier,
        temperature_c=temperature_c,
        breath_ratio=ratio,
        prior=prior,
        policy=policy,
    )
    # Nothing is advised or logged from a recording of another instrument.
    check_same_piece(advice, [len(hearing.notes) for _, _, hearing in heard])
    warnings += advice.warnings
    if ledger is not None and serial is not None:
        for (path, sound, _), trial in zip(heard, advice.trials, strict=True):
            log_heard(ledger, serial, advice, trial, sound.sha256, path.name, loaded, temperature_c, breath_pa)
    return _Sitting(loaded, advice, warnings, sizes, pieces)


def next_cut_command(
    model: ModelArg,
    recordings: RecordingsArg,
    size: SizeOpt = None,
    temperature_c: TemperatureOpt = None,
    breath_pa: BreathOpt = None,
    risk: Annotated[float, typer.Option("--risk", help="Chance over the whole piece of cutting too far.")] = 0.02,
    kinds: Annotated[str, typer.Option("--cuts", help="Kinds of cuts to use, with commas; see --ways.")] = "hole,foot",
    one: Annotated[bool, typer.Option("--one", help="One cut, then play again.")] = False,
    shelf: Annotated[bool, typer.Option("--shelf", help="Only sizes of the model's drills and reamers.")] = False,
    ways: Annotated[
        str | None, typer.Option("--ways", help="Show every way to raise a note, NOTE=CENTS, for example A5=4.")
    ] = None,
    ledger: LedgerOpt = None,
    serial: SerialOpt = None,
    plot: PlotOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """Say the next safe cuts: where, how much, with what, what they will do, and the chance of going too far."""
    from fluewright.bench.cuts import CutPolicy

    if not 0.0 < risk < 0.5:
        raise InputError(f"--risk is {risk}; it is a chance between 0 and 0.5, for example 0.02")
    chosen = tuple(k.strip() for k in kinds.split(",") if k.strip())
    policy = CutPolicy(risk=risk, kinds=chosen, one_at_a_time=one, shelf_only=shelf)
    sitting = _sit(model, recordings, size, temperature_c, breath_pa, ledger, serial, policy)
    found = _ways(sitting, ways) if ways is not None else []
    warn(sitting.warnings)
    if plot is not None:
        write_whole(plot, _chart(sitting))
    if as_json:
        print_json(_data(sitting, found))
        return
    _print_notes(sitting)
    _print_plan(sitting.advice.verdict)
    if ways is not None:
        print_table(
            f"Ways to raise {ways}",
            ["cut", "step mm", "raises cents", "same fingering, upper register", "most on another note", "reaches"],
            found,
        )


def _print_plan(verdict: Any) -> None:
    for number, cut in enumerate(verdict.plan, start=1):
        sys.stdout.write(
            f"{number}. {cut.note}: {cut.how} ({cut.before_mm:.2f} to {cut.after_mm:.2f} mm), with {cut.tool}.\n"
        )
    if verdict.plan:
        last = verdict.plan[-1]
        sys.stdout.write(
            f"Chance of ending past the tolerance: {last.overshoot:.2%}. Then play every note again.\n"
            f"{'; '.join(dict.fromkeys(c.lasts for c in verdict.plan)).capitalize()}: cut less, gauge, cut the rest.\n"
            f"{' '.join(dict.fromkeys(c.caution for c in verdict.plan))}\n"
        )
    else:
        sys.stdout.write({"finished": "Finished: ", "leave": "Leave it: ", "play": "Play again: "}[verdict.state])
    for reason in verdict.reasons:
        sys.stdout.write(reason + "\n")
    if verdict.state != "finished":
        sys.stdout.write(f"Most worth playing next: {', '.join(verdict.play_next)}.\n")


def _print_notes(sitting: _Sitting) -> None:
    verdict = sitting.advice.verdict
    last = verdict.plan[-1] if verdict.plan else None
    taught = f", taught by {sitting.pieces} other pieces" if sitting.pieces else ""
    print_table(
        f"{sitting.model.model.name}: the piece as it is{taught}; chance that a note of register 1 is out "
        f"{verdict.doubt:.0%}",
        ["note", "register", "cents now", "+/-", "after the cuts", "+/- after"],
        [
            [
                f.note,
                str(f.register),
                f"{verdict.cents[i]:+.1f}",
                f"{verdict.sigma[i]:.1f}",
                f"{last.cents_after[i]:+.1f}" if last else "",
                f"{last.sigma_after[i]:.1f}" if last else "",
            ]
            for i, f in enumerate(sitting.advice.fingerings)
        ],
    )


def _data(sitting: _Sitting, ways: list[list[str]]) -> dict[str, Any]:
    verdict = sitting.advice.verdict
    last = verdict.plan[-1] if verdict.plan else None
    plan = [
        {
            "size": cut.key,
            "feature": cut.feature,
            "kind": cut.kind,
            "before_mm": cut.before_mm,
            "after_mm": cut.after_mm,
            "note": cut.note,
            "overshoot_chance": cut.overshoot,
            "how": cut.how,
            "tool": cut.tool,
            "cannot_be_undone": cut.lasts,
            "caution": cut.caution,
        }
        for cut in verdict.plan
    ]
    return {
        "state": verdict.state,
        "reasons": list(verdict.reasons),
        "warnings": sitting.warnings,
        "doubt": verdict.doubt,
        "play_next": list(verdict.play_next),
        "taught_by_pieces": sitting.pieces,
        "notes": [
            {
                "note": f.note,
                "register": f.register,
                "cents": float(verdict.cents[i]),
                "uncertainty_cents": float(verdict.sigma[i]),
                "cents_after": float(last.cents_after[i]) if last else None,
                "uncertainty_after_cents": float(last.sigma_after[i]) if last else None,
            }
            for i, f in enumerate(sitting.advice.fingerings)
        ],
        "cut": plan[0] if plan else None,
        "plan": plan,
        "ways": ways,
    }


def _ways(sitting: _Sitting, wanted: str) -> list[list[str]]:
    """Return the rows of a table of every way to raise a note."""
    from fluewright.bench.cuts import ways_to_raise
    from fluewright.bench.features import KINDS

    given = re.fullmatch(r"\s*([A-Ga-g][#b]?\d)\s*=\s*([0-9.]+)\s*", wanted)
    if given is None:
        raise InputError(f"--ways is {wanted!r}; give a note and cents, for example A5=4")
    advice = sitting.advice
    note = given[1][0].upper() + given[1][1:]
    at = next((i for i, f in enumerate(advice.fingerings) if f.note == note), None)
    if at is None:
        raise InputError(f"--ways names {note}, which {sitting.model.model.name} does not have")
    mine = advice.fingerings[at]
    upper = [i for i, f in enumerate(advice.fingerings) if f.holes == mine.holes and f.register == mine.register + 1]
    rows = []
    for way in ways_to_raise(advice.posterior, sitting.sizes, at, float(given[2]), kinds=KINDS):
        others = [i for i in range(len(advice.fingerings)) if i != at and i not in upper]
        worst = max(others, key=lambda i: abs(way.cents[i]))
        rows.append(
            [
                f"{way.feature.kind}: {way.feature.name}", f"{way.step_mm:.2f}", f"{way.cents[at]:+.1f}",
                f"{way.cents[upper[0]]:+.1f}" if upper else "",
                f"{advice.fingerings[worst].note} {way.cents[worst]:+.1f}", "yes" if way.reaches else "no",
            ]
        )  # fmt: skip
    return rows


def _chart(sitting: _Sitting) -> str:
    """Return the hanging chart: the piece as it is, and hollow marks for what the cuts will make of it."""
    from fluewright.instrument.fingering import governing_hole
    from fluewright.instrument.sizes import with_sizes
    from fluewright.pictures.chart import hanging_chart
    from fluewright.pictures.results import NoteMark

    verdict = sitting.advice.verdict
    last = verdict.plan[-1] if verdict.plan else None
    marks = []
    for i, f in enumerate(sitting.advice.fingerings):
        if f.alternative:
            continue
        at = governing_hole(f)
        marks.append(NoteMark(f.note, f.register, float(verdict.cents[i]), float(verdict.sigma[i]), "measured", at))
        if last is not None:
            after = float(last.cents_after[i])
            marks.append(NoteMark(f.note, f.register, after, float(last.sigma_after[i]), "forecast", at))
    made = with_sizes(sitting.model, sitting.sizes) if sitting.sizes else sitting.model
    return hanging_chart(made, marks, title=f"{sitting.model.model.name}: now, and after the proposed cuts")


def calibrate_command(
    model: ModelArg,
    recordings: RecordingsArg,
    size: SizeOpt = None,
    temperature_c: TemperatureOpt = None,
    breath_pa: BreathOpt = None,
    ledger: LedgerOpt = None,
    serial: SerialOpt = None,
    plot: PlotOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """Say what the played notes tell of this piece: its constants, every note with its band, what to play next."""
    from fluewright.bench.calibration import constants_text
    from fluewright.bench.cuts import CutPolicy

    sitting = _sit(model, recordings, size, temperature_c, breath_pa, ledger, serial, CutPolicy())
    verdict, posterior = sitting.advice.verdict, sitting.advice.posterior
    warn(sitting.warnings)
    if plot is not None:
        write_whole(plot, _chart(sitting))
    constants = constants_text(posterior)
    if as_json:
        data = _data(sitting, [])
        del data["cut"], data["plan"], data["ways"]
        data["constants"] = [
            {"name": n, "value": v, "uncertainty": s, "uncertainty_before": b} for n, v, s, b in constants
        ]
        print_json(data)
        return
    print_table(
        f"{sitting.model.model.name}: what {posterior.trials} trials tell, as shares of the model's own figures",
        ["constant", "off by", "+/-", "+/- before"],
        [[n, f"{100 * v:+.2f} %", f"{100 * s:.2f} %", f"{100 * b:.2f} %"] for n, v, s, b in constants],
    )
    _print_notes(sitting)
    sys.stdout.write(f"Most worth playing next: {', '.join(verdict.play_next)}.\n")


def trust_command(
    ledger: Annotated[Path, typer.Option("--ledger", help="The shop's records.")],
    model: Annotated[str, typer.Option("--model", help="Only pieces of this model.")] = "",
    plot: Annotated[Path | None, typer.Option("--plot", help="Write the picture as SVG.")] = None,
    as_json: JsonOpt = False,
) -> None:
    """Say whether past forecasts deserved trust: how often their bands held, and how far off they were."""
    from fluewright.bench.scores import BANDS
    from fluewright.pictures.trust import trust_picture
    from fluewright.shop import ledger_scores

    scores, forecasts = ledger_scores(existing_ledger(ledger), model_name=model)
    if plot is not None:
        write_whole(plot, trust_picture(scores.levels.tolist(), scores.observed.tolist(), count=scores.count))
    if as_json:
        print_json(
            {
                "count": scores.count,
                "bands": [
                    {"band": b, "held": finite(h), "standard_error": finite(s)}
                    for b, h, s in zip(BANDS, scores.held, scores.held_sigma, strict=True)
                ],
                "mean_cents": finite(scores.mean_cents),
                "rms_cents": finite(scores.rms_cents),
                "stated_rms_cents": finite(scores.mean_sigma_cents),
                "verdict": scores.verdict,
                "forecasts": [
                    {"what": f.what, "forecast_cents": f.mean, "sigma_cents": f.sigma, "heard_cents": f.outcome}
                    for f in forecasts
                ],
            }
        )
        return
    print_table(
        f"{ledger.name}: {scores.count} notes forecast before a cut and heard after it",
        ["band", "held", "+/-"],
        [
            [f"{b:.0%}", f"{h:.1%}", f"{s:.1%}"]
            for b, h, s in zip(BANDS, scores.held, scores.held_sigma, strict=True)
            if scores.count
        ],
    )
    if scores.count:
        sys.stdout.write(
            f"Off by {scores.mean_cents:+.1f} cents on average, {scores.rms_cents:.1f} rms; stated "
            f"{scores.mean_sigma_cents:.1f}.\n"
        )
    sys.stdout.write(f"{scores.verdict}\n")
