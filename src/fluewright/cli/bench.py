"""At the bench: what was played, and the next safe cut."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from fluewright.cli.arguments import JsonOpt, ModelArg, existing_ledger, sizes_of
from fluewright.cli.listening import hear
from fluewright.cli.printing import print_json, print_table, warn
from fluewright.errors import InputError

__all__ = ["next_cut_command"]


def next_cut_command(
    model: ModelArg,
    recordings: Annotated[
        list[Path], typer.Argument(metavar="RECORDING...", help="Recordings of this piece as it is.")
    ],
    size: Annotated[
        list[str] | None,
        typer.Option("--size", help="Present size, KEY=MM, where it differs from the model."),
    ] = None,
    temperature_c: Annotated[float | None, typer.Option("--temperature-c", help="Air in the bore now.")] = None,
    risk: Annotated[float, typer.Option("--risk", help="Chance over the whole piece of cutting too far.")] = 0.02,
    ledger: Annotated[
        Path | None, typer.Option("--ledger", help="Use earlier trials of --serial, and log this one.")
    ] = None,
    serial: Annotated[str | None, typer.Option("--serial", help="The piece in the ledger.")] = None,
    as_json: JsonOpt = False,
) -> None:
    """Say the next safe cut: which hole, how much, what it will do, and the chance of going too far."""
    from fluewright.bench.session import advise
    from fluewright.instrument.starting import load
    from fluewright.shop import check_same_piece, checked_sizes, earlier_trials, log_heard

    if not 0.0 < risk < 0.5:
        raise InputError(f"--risk is {risk}; it is a chance between 0 and 0.5, for example 0.02")
    if (ledger is None) != (serial is None):
        raise InputError("--ledger and --serial go together: name both, or neither")
    given = sizes_of(size or [])
    loaded = load(model)
    sizes, earlier, known = checked_sizes(loaded, given, place="--size"), [], frozenset[str]()
    warnings: list[str] = []
    if ledger is not None and serial is not None:
        piece = earlier_trials(existing_ledger(ledger), serial, loaded)
        sizes, earlier, known = {**piece.as_built, **sizes}, list(piece.trials), piece.recordings
        warnings += piece.warnings
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
        loaded,
        [hearing.notes for _, _, hearing in heard],
        as_built=sizes,
        earlier=earlier,
        temperature_c=temperature_c,
        risk=risk,
    )
    # Nothing is advised or logged from a recording of another instrument.
    check_same_piece(advice, [len(hearing.notes) for _, _, hearing in heard])
    warnings += advice.warnings
    if ledger is not None and serial is not None:
        for (path, sound, _), trial in zip(heard, advice.trials, strict=True):
            log_heard(ledger, serial, advice, trial, sound.sha256, path.name, loaded, temperature_c)
    warn(warnings)
    verdict = advice.verdict
    cut = verdict.proposal
    if as_json:
        print_json(
            {
                "state": verdict.state,
                "reasons": list(verdict.reasons),
                "warnings": warnings,
                "notes": [
                    {
                        "note": f.note,
                        "register": f.register,
                        "cents": float(verdict.cents[i]),
                        "uncertainty_cents": float(verdict.sigma[i]),
                        "cents_after": float(cut.cents_after[i]) if cut else None,
                        "uncertainty_after_cents": float(cut.sigma_after[i]) if cut else None,
                    }
                    for i, f in enumerate(advice.fingerings)
                ],
                "cut": None
                if cut is None
                else {
                    "size": cut.key,
                    "feature": cut.feature,
                    "before_mm": cut.before_mm,
                    "after_mm": cut.after_mm,
                    "note": cut.note,
                    "overshoot_chance": cut.overshoot,
                    "how": cut.how,
                },
            }
        )
        return
    print_table(
        f"{loaded.model.name}: the piece as it is",
        ["note", "register", "cents now", "+/-", "after the cut", "+/- after"],
        [
            [
                f.note,
                str(f.register),
                f"{verdict.cents[i]:+.1f}",
                f"{verdict.sigma[i]:.1f}",
                f"{cut.cents_after[i]:+.1f}" if cut else "",
                f"{cut.sigma_after[i]:.1f}" if cut else "",
            ]
            for i, f in enumerate(advice.fingerings)
        ],
    )
    if cut:
        sys.stdout.write(
            f"Next safe cut, for {cut.note}: {cut.how} ({cut.before_mm:.2f} to {cut.after_mm:.2f} mm).\n"
            f"Chance of ending past the tolerance: {cut.overshoot:.2%}. No cut can be undone: cut less, measure, play "
            "again.\n"
        )
    else:
        sys.stdout.write({"finished": "Finished: ", "leave": "Leave it: "}[verdict.state])
    for reason in verdict.reasons:
        sys.stdout.write(reason + "\n")
