"""At the bench: what was played tells the model of the piece, and the model the next safe cuts."""

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fluewright.cli.arguments import JsonOpt, ModelArg, SerialOpt, existing_ledger, piece_in_ledger, sizes_of
from fluewright.cli.printing import finite, print_json, print_table, put, warn
from fluewright.errors import InputError
from fluewright.files import write_whole
from fluewright.units import signed

if TYPE_CHECKING:
    from fluewright.bench.policy import CutPolicy
    from fluewright.bench.verdict import Verdict
    from fluewright.shop.conditions import TrialConditions
    from fluewright.shop.sitting import Judged

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
PlotOpt = Annotated[Path | None, typer.Option("--plot", help="Write the hanging chart as SVG.")]


def _judge(
    model: str,
    recordings: list[Path],
    size: list[str] | None,
    conditions: "TrialConditions",
    ledger: Path | None,
    serial: str | None,
    policy: "CutPolicy | None",
) -> tuple["Judged", list[str]]:
    """Hear the recordings, judge them with all that is known, log them where there is a ledger; return what was odd."""
    from fluewright.bench.pitch_model import PitchModel
    from fluewright.bench.words import remark_words
    from fluewright.instrument.starting import load
    from fluewright.shop.sitting import judge, log_trials, sit_down, sit_down_loose, take_of_recording

    piece = piece_in_ledger(ledger, serial)
    given = sizes_of(size or [])
    loaded = load(model)
    if piece is not None:
        sitting = sit_down(*piece, model=loaded, sizes=given)
    else:
        sitting = sit_down_loose(PitchModel.of(loaded), given)
    takes = [take_of_recording(path) for path in recordings]
    judged = judge(sitting, takes, conditions=conditions, policy=policy)
    record = sitting.record
    warnings = [f"{path}: {text}" for path, take in zip(recordings, takes, strict=True) for text in take.warnings]
    if record is not None:
        log_trials(judged)
        if sitting.other_model:
            warnings.insert(
                0,
                f"{record.serial} was begun with {record.model_name} version {record.model_version}, which differs "
                "from the model named now; the latter is used",
            )
    warnings += [
        f"{t.name}: this recording was counted before; it is not counted or logged again" for t in judged.repeated
    ]
    warnings += [remark_words(remark) for remark in judged.advice.remarks]
    warn(warnings)
    return judged, warnings


def next_cut_command(
    model: ModelArg,
    recordings: RecordingsArg,
    size: SizeOpt = None,
    temperature_c: TemperatureOpt = None,
    breath_pa: BreathOpt = None,
    risk: Annotated[float, typer.Option("--risk", help="Chance over the whole piece of cutting too far.")] = 0.02,
    cuts: Annotated[str, typer.Option("--cuts", help="Kinds of cuts to use, with commas; see --ways.")] = "hole,foot",
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
    from fluewright.bench.features import kinds_of
    from fluewright.bench.policy import CutPolicy
    from fluewright.shop.conditions import TrialConditions

    chosen = kinds_of(k.strip() for k in cuts.split(",") if k.strip())
    policy = CutPolicy(risk=risk, kinds=chosen, one_at_a_time=one, shelf_only=shelf)
    judged, warnings = _judge(
        model, recordings, size, TrialConditions(temperature_c, breath_pa), ledger, serial, policy
    )
    found = _ways(judged, ways) if ways is not None else []
    if plot is not None:
        write_whole(plot, _chart(judged))
    if as_json:
        print_json(_data(judged, warnings, found))
        return
    _print_notes(judged)
    _print_plan(judged.advice.verdict)
    if ways is not None:
        print_table(
            f"Ways to raise {ways}",
            ["cut", "step mm", "raises cents", "same fingering, upper register", "most on another note", "reaches"],
            found,
        )


def _print_plan(verdict: "Verdict") -> None:
    from fluewright.bench.words import note_words, reason_words

    for number, cut in enumerate(verdict.plan, start=1):
        put(f"{number}. {cut.note}: {cut.how} ({cut.before_mm:.2f} to {cut.after_mm:.2f} mm), with {cut.tool}.\n")
    if verdict.plan:
        last = verdict.plan[-1]
        put(
            f"Chance of ending past the tolerance: {last.overshoot:.2%}. Then play every note again.\n"
            f"{'; '.join(dict.fromkeys(c.lasts for c in verdict.plan)).capitalize()}: cut less, gauge, cut the rest.\n"
            f"{' '.join(dict.fromkeys(c.caution for c in verdict.plan))}\n"
        )
    else:
        put({"finished": "Finished: ", "leave": "Leave it: ", "play": "Play again: "}[verdict.state])
    for reason in verdict.reasons:
        put(reason_words(reason) + "\n")
    if verdict.state != "finished":
        put(f"Most worth playing next: {', '.join(map(note_words, verdict.play_next))}.\n")


def _print_notes(judged: "Judged") -> None:
    verdict, sitting = judged.advice.verdict, judged.sitting
    last = verdict.last
    taught = f", taught by {sitting.taught_by} other pieces" if sitting.taught_by else ""
    print_table(
        f"{sitting.model.model.name}: the piece as it is{taught}; chance that a note of register 1 is out "
        f"{verdict.doubt:.0%}",
        ["note", "register", "cents now", "+/-", "after the cuts", "+/- after"],
        [
            [
                f.note,
                str(f.register),
                signed(verdict.cents[i]),
                f"{verdict.sigma[i]:.1f}",
                signed(last.cents_after[i]) if last else "",
                f"{last.sigma_after[i]:.1f}" if last else "",
            ]
            for i, f in enumerate(judged.advice.fingerings)
        ],
    )


def _data(judged: "Judged", warnings: list[str], ways: list[list[str]]) -> dict[str, Any]:
    from fluewright.bench.words import note_words, reason_words

    verdict = judged.advice.verdict
    last = verdict.last
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
        "reasons": [reason_words(reason) for reason in verdict.reasons],
        "warnings": warnings,
        "doubt": verdict.doubt,
        "play_next": [note_words(note) for note in verdict.play_next],
        "taught_by_pieces": judged.sitting.taught_by,
        "notes": [
            {
                "note": f.note,
                "register": f.register,
                "cents": float(verdict.cents[i]),
                "uncertainty_cents": float(verdict.sigma[i]),
                "cents_after": float(last.cents_after[i]) if last else None,
                "uncertainty_after_cents": float(last.sigma_after[i]) if last else None,
            }
            for i, f in enumerate(judged.advice.fingerings)
        ],
        "cut": plan[0] if plan else None,
        "plan": plan,
        "ways": ways,
    }


def _ways(judged: "Judged", wanted: str) -> list[list[str]]:
    """Return the rows of a table of every way to raise a note."""
    from fluewright.bench.cut_words import place_of_cut
    from fluewright.bench.features import KINDS
    from fluewright.bench.ways import ways_to_raise

    given = re.fullmatch(r"\s*([A-Ga-g][#b]?\d)\s*=\s*([0-9.]+)\s*", wanted)
    if given is None:
        raise InputError(f"is {wanted!r}; give a note and cents, for example A5=4", field="ways")
    advice = judged.advice
    note = given[1][0].upper() + given[1][1:]
    at = next((i for i, f in enumerate(advice.fingerings) if f.note == note), None)
    if at is None:
        raise InputError(f"names {note}, which {judged.sitting.model.model.name} does not have", field="ways")
    mine = advice.fingerings[at]
    upper = [i for i, f in enumerate(advice.fingerings) if f.holes == mine.holes and f.register == mine.register + 1]
    rows = []
    for way in ways_to_raise(advice.posterior, judged.sitting.as_built, at, float(given[2]), kinds=KINDS):
        others = [i for i in range(len(advice.fingerings)) if i != at and i not in upper]
        worst = max(others, key=lambda i: abs(way.cents[i]))
        rows.append(
            [
                f"{way.feature.kind}: {place_of_cut(way.feature.kind, way.feature.key)}", f"{way.step_mm:.2f}",
                f"{way.cents[at]:+.1f}",
                f"{way.cents[upper[0]]:+.1f}" if upper else "",
                f"{advice.fingerings[worst].note} {way.cents[worst]:+.1f}", "yes" if way.reaches else "no",
            ]
        )  # fmt: skip
    return rows


def _chart(judged: "Judged") -> str:
    from fluewright.shop.result_pictures import verdict_chart

    return verdict_chart(judged.sitting, judged.advice.verdict)


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
    from fluewright.bench.words import note_words
    from fluewright.shop.conditions import TrialConditions

    judged, warnings = _judge(model, recordings, size, TrialConditions(temperature_c, breath_pa), ledger, serial, None)
    verdict, posterior = judged.advice.verdict, judged.advice.posterior
    if plot is not None:
        write_whole(plot, _chart(judged))
    constants = constants_text(posterior)
    if as_json:
        data = _data(judged, warnings, [])
        del data["cut"], data["plan"], data["ways"]
        data["constants"] = [
            {"name": n, "value": v, "uncertainty": s, "uncertainty_before": b} for n, v, s, b in constants
        ]
        print_json(data)
        return
    print_table(
        f"{judged.sitting.model.model.name}: what {posterior.trials} trials tell, as shares of the model's own figures",
        ["constant", "off by", "+/-", "+/- before"],
        [[n, f"{signed(100 * v, 2)} %", f"{100 * s:.2f} %", f"{100 * b:.2f} %"] for n, v, s, b in constants],
    )
    _print_notes(judged)
    put(f"Most worth playing next: {', '.join(map(note_words, verdict.play_next))}.\n")


def trust_command(
    ledger: Annotated[Path, typer.Option("--ledger", help="The shop's records.")],
    model: Annotated[str, typer.Option("--model", help="Only pieces of this model.")] = "",
    plot: Annotated[Path | None, typer.Option("--plot", help="Write the picture as SVG.")] = None,
    as_json: JsonOpt = False,
) -> None:
    """Say whether past forecasts deserved trust: how often their bands held, and how far off they were."""
    from fluewright.bench.scores import BANDS
    from fluewright.pictures.trust import trust_picture
    from fluewright.shop.learning import ledger_scores

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
        put(
            f"Off by {signed(scores.mean_cents)} cents on average, {scores.rms_cents:.1f} rms; stated "
            f"{scores.mean_sigma_cents:.1f}.\n"
        )
    put(f"{scores.verdict}\n")
