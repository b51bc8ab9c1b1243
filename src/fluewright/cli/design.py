"""Sizes that meet the target."""

from pathlib import Path
from typing import Annotated

import typer

from fluewright.cli.acoustics import range_data
from fluewright.cli.arguments import JsonOpt, ModelArg
from fluewright.cli.printing import console, print_json, print_table, put, warn, warn_ranges
from fluewright.files import is_there

__all__ = ["fit"]


def fit(
    model: ModelArg,
    out: Annotated[Path | None, typer.Option("--out", "-o", help="Write the fitted model here.")] = None,
    a4_hz: Annotated[float | None, typer.Option("--a4-hz", help="Tuning standard.")] = None,
    temperature_c: Annotated[float | None, typer.Option("--temperature-c", help="Air in the bore.")] = None,
    blown: Annotated[
        bool, typer.Option("--blown", help="Aim the pitch at the planned breath, not the resonance.")
    ] = False,
    as_json: JsonOpt = False,
) -> None:
    """Fit hole positions, diameters and length to the target in all registers, within the model's limits."""
    from fluewright.acoustics.network import build_network
    from fluewright.acoustics.ranges import out_of_range
    from fluewright.acoustics.resonance import targets_hz
    from fluewright.design.fit import fit_blown_model, fit_model
    from fluewright.instrument.changes import with_target
    from fluewright.instrument.files import write_model
    from fluewright.instrument.starting import load, starting_models

    loaded = with_target(load(model), a4_hz=a4_hz, temperature_c=temperature_c)
    with console(error=True).status("fitting"):
        result = fit_blown_model(loaded) if blown else fit_model(loaded)
    fitted = build_network(result.model)
    beyond = out_of_range(fitted, targets_hz(fitted))
    if out is not None:
        like = starting_models().get(model) or Path(model)
        write_model(result.model, out, like=out if is_there(out) else like)
    warn_ranges(beyond)
    if result.broken_rules:
        warn([f"could not be kept: {rule}" for rule in result.broken_rules])
    if as_json:
        print_json(
            {
                "rms_cents": result.rms_cents,
                "worst_cents": result.worst_cents,
                "changed": [{"key": k, "before_mm": b, "after_mm": a} for k, b, a in result.changed],
                "at_limit": list(result.at_limit),
                "broken_rules": list(result.broken_rules),
                "out_of_range": range_data(beyond),
                "file": str(out) if out else None,
            }
        )
        return
    print_table(
        f"{loaded.model.name}: fitted, {result.rms_cents:.1f} cents rms, worst {result.worst_cents:+.1f}",
        ["size", "before mm", "after mm", "at a limit"],
        [[k, f"{b:.2f}", f"{a:.2f}", "yes" if k in result.at_limit else ""] for k, b, a in result.changed],
    )
    if out is not None:
        put(f"{out}\n")
