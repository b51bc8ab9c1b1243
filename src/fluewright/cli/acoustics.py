"""How a model sounds: every note, what each size does, the impedance at the window."""

import sys
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import typer

from fluewright.cli.arguments import JsonOpt, ModelArg
from fluewright.cli.printing import console, finite, print_json, print_table, warn_ranges
from fluewright.errors import ComputeError, InputError
from fluewright.files import write_whole

__all__ = ["impedance", "marks", "predict", "range_data", "sensitivity", "standing_wave"]


def range_data(notes: Any) -> list[dict[str, Any]]:
    """Return notes on ranges as data for JSON; a side without a bound is null."""
    return [
        {
            "formula": n.formula,
            "key": n.key,
            "quantity": n.quantity,
            "value": finite(n.value),
            "low": finite(n.low),
            "high": finite(n.high),
            "unit": n.unit,
            "effect": n.effect,
        }
        for n in notes
    ]


def marks(predictions: Any) -> list[Any]:
    """Return the marks of the hanging chart for predictions."""
    from fluewright.pictures.results import NoteMark

    return [
        NoteMark(
            note=p.note,
            register=p.register,
            cents=p.cents,
            uncertainty_cents=p.uncertainty_cents,
            kind="predicted",
            governing_hole=p.governing_hole,
        )
        for p in predictions
    ]


def predict(
    model: ModelArg,
    plot: Annotated[Path | None, typer.Option("--plot", help="Write the hanging chart as SVG.")] = None,
    theme: Annotated[str, typer.Option("--theme", help="light or dark, for the picture.")] = "light",
    passive: Annotated[
        bool, typer.Option("--passive", help="Natural resonances with the windway closed (what is computed now).")
    ] = False,
    lossless: Annotated[bool, typer.Option("--lossless", help="Without wall losses and radiation.")] = False,
    sound_speed: Annotated[
        float | None, typer.Option("--sound-speed", help="Speed of sound in m/s instead of the model's air.")
    ] = None,
    modes: Annotated[int, typer.Option("--modes", help="Also list this many resonances of every fingering.")] = 0,
    uncertainty: Annotated[
        bool, typer.Option("--uncertainty", help="Also list the sizes that make each note least sure.")
    ] = False,
    as_json: JsonOpt = False,
) -> None:
    """Say what every note will sound: frequency, cents against the target, and how sure that is."""
    from fluewright.acoustics.network import Rules, air_of, build_network
    from fluewright.acoustics.resonance import resonances_by_mode
    from fluewright.acoustics.uncertainty import prediction_of
    from fluewright.instrument.starting import load

    if theme not in ("light", "dark"):
        raise InputError(f"--theme is {theme!r}; it can be light or dark")
    loaded = load(model)
    air = air_of(loaded)
    if sound_speed is not None:
        if not 250.0 <= sound_speed <= 450.0:
            raise InputError(f"--sound-speed is {sound_speed}; it must lie between 250 and 450 m/s, for example 345.2")
        air = replace(air, sound_speed=sound_speed)
    network = build_network(loaded, air=air, rules=Rules(lossy=not lossless, radiate=not lossless))
    with console(error=True).status("computing; the first run after an installation compiles for half a minute"):
        prediction = prediction_of(network)
        by_mode = resonances_by_mode(network, modes) if modes else ()
    notes, spreads = prediction.notes, prediction.uncertainties
    warn_ranges(prediction.out_of_range)
    if plot is not None:
        from fluewright.pictures.chart import hanging_chart

        write_whole(plot, hanging_chart(loaded, marks(notes), theme=theme, title=loaded.model.name))
    if as_json:
        print_json(
            {
                "model": loaded.model.name,
                "a4_hz": loaded.target.a4_hz,
                "temperature_c": loaded.conditions.temperature_c,
                "warnings": [note.text for note in prediction.out_of_range],
                "out_of_range": range_data(prediction.out_of_range),
                "notes": [
                    {
                        "note": p.note,
                        "register": p.register,
                        "fingering": p.fingering.text,
                        "frequency_hz": p.frequency_hz,
                        "target_hz": p.target_hz,
                        "cents": p.cents,
                        "uncertainty_cents": p.uncertainty_cents,
                        "from_model_cents": u.from_model_cents,
                        "from_dimensions_cents": u.from_dimensions_cents,
                        "largest": [
                            {"size": c.key, "sigma": c.sigma, "unit": c.unit, "cents": c.cents} for c in u.largest
                        ],
                        "quality": finite(p.quality),
                    }
                    for p, u in zip(notes, spreads, strict=True)
                ],
                **({"modes": {text: [finite(float(v)) for v in row] for text, row in by_mode}} if modes else {}),
            }
        )
        return
    print_table(
        f"{loaded.model.name}: {'lossless' if lossless else 'natural'} resonances at "
        f"{loaded.conditions.temperature_c:g} degC, "
        f"A4 = {loaded.target.a4_hz:g} Hz",
        ["note", "register", "fingering", "Hz", "target Hz", "cents", "+/- model", "+/- sizes"],
        [
            [
                p.note,
                str(p.register),
                p.fingering.text,
                f"{p.frequency_hz:.2f}",
                f"{p.target_hz:.2f}",
                f"{p.cents:+.1f}",
                f"{u.from_model_cents:.1f}",
                f"{u.from_dimensions_cents:.1f}",
            ]
            for p, u in zip(notes, spreads, strict=True)
        ],
    )
    if uncertainty:
        print_table(
            f"{loaded.model.name}: the sizes that matter most at the shop's tolerances (one sigma), cents",
            ["note", "register", "largest", "second", "third"],
            [
                [
                    u.fingering.note,
                    str(u.fingering.register),
                    *(f"{c.key} +{c.sigma:g} {c.unit}: {c.cents:+.1f}" for c in u.largest),
                    *[""] * (3 - len(u.largest)),
                ]
                for u in spreads
            ],
        )
    if modes:
        print_table(
            f"the lowest {modes} resonances of every fingering, Hz",
            ["fingering", *(str(m) for m in range(1, modes + 1))],
            [[text, *("-" if v != v else f"{v:.2f}" for v in row)] for text, row in by_mode],
        )
    if plot is not None:
        sys.stdout.write(f"{plot}\n")


def sensitivity(
    model: ModelArg,
    plot: Annotated[Path | None, typer.Option("--plot", help="Write the picture as SVG.")] = None,
    as_json: JsonOpt = False,
) -> None:
    """Say what 0.1 mm (or 1 degree) of every size does to every note, in cents."""
    from fluewright.acoustics.network import build_network
    from fluewright.acoustics.ranges import out_of_range
    from fluewright.acoustics.resonance import resonances
    from fluewright.instrument.starting import load

    loaded = load(model)
    network = build_network(loaded)
    with console(error=True).status("computing"):
        solved = resonances(network, sensitivities=True)
    effects = solved.by_dimension_cents
    beyond = out_of_range(network, solved.frequencies_hz)
    warn_ranges(beyond)
    names = [f"{f.note} {f.register}" for f in network.fingerings]
    rows = [(d, effects[:, j] * (0.1 if d.unit == "mm" else 1.0)) for j, d in enumerate(network.dimensions)]
    if plot is not None:
        from fluewright.pictures.curves import effect_bars

        chosen = [(d, v) for d, v in rows if max(abs(v)) > 0.05]
        picture = effect_bars(
            [d.key for d, _ in chosen],
            [v.tolist() for _, v in chosen],
            names,
            title=f"{loaded.model.name}: cents per 0.1 mm (angles: per degree)",
        )
        write_whole(plot, picture)
    if as_json:
        print_json(
            {
                "notes": [{"note": f.note, "register": f.register, "fingering": f.text} for f in network.fingerings],
                "sizes": [
                    {
                        "size": d.key,
                        "value": d.value,
                        "step": "0.1 mm" if d.unit == "mm" else "1 deg",
                        "cents": [float(c) for c in v],
                    }
                    for d, v in rows
                ],
                "out_of_range": range_data(beyond),
            }
        )
        return
    print_table(
        f"{loaded.model.name}: cents per 0.1 mm (angles: per degree)",
        ["size", *names],
        [[d.key, *(f"{c:+.2f}" for c in v)] for d, v in rows],
    )
    if plot is not None:
        sys.stdout.write(f"{plot}\n")


def impedance(
    model: ModelArg,
    fingering: Annotated[str, typer.Option("--fingering", help="c, h, o for each hole, for example 'ccc ooo'.")],
    csv: Annotated[Path | None, typer.Option("--csv", help="Write the curve as CSV.")] = None,
    plot: Annotated[Path | None, typer.Option("--plot", help="Write the curve as SVG.")] = None,
    low_hz: Annotated[float, typer.Option("--from", help="First frequency, Hz.")] = 100.0,
    high_hz: Annotated[float, typer.Option("--to", help="Last frequency, Hz.")] = 4000.0,
    step_hz: Annotated[float, typer.Option("--step", help="Step, Hz.")] = 2.0,
) -> None:
    """Compute the impedance seen from the window for one fingering."""
    import numpy as np

    from fluewright.acoustics.impedance import impedance_curve, lattice_cutoff_hz
    from fluewright.acoustics.inside import with_fingering
    from fluewright.acoustics.network import build_network
    from fluewright.acoustics.ranges import out_of_range
    from fluewright.instrument.starting import load

    loaded = load(model)
    if not (0 < low_hz < high_hz <= 20000.0 and 0.01 <= step_hz <= high_hz - low_hz):
        raise InputError(
            f"--from {low_hz} --to {high_hz} --step {step_hz}: need 0 < from < to <= 20000 Hz and a step of at least "
            "0.01 Hz that fits between them"
        )
    network = build_network(loaded)
    one = with_fingering(network, fingering)
    with console(error=True).status("computing"):
        curve = impedance_curve(one, 0, np.arange(low_hz, high_hz + 0.5 * step_hz, step_hz))
    warn_ranges(out_of_range(one, curve.frequencies_hz))
    x = curve.loop.imag
    found = curve.frequencies_hz[:-1][(x[:-1] < 0) & (x[1:] >= 0)]
    if csv is not None:
        lines = ["frequency_hz,bore_re_pa_s_m3,bore_im_pa_s_m3,loop_re_pa_s_m3,loop_im_pa_s_m3"]
        lines += [
            f"{f:.6g},{b.real:.9g},{b.imag:.9g},{z.real:.9g},{z.imag:.9g}"
            for f, b, z in zip(curve.frequencies_hz, curve.bore, curve.loop, strict=True)
        ]
        write_whole(csv, "\n".join(lines) + "\n")
    if plot is not None:
        from fluewright.pictures.curves import level_curve

        picture = level_curve(
            curve.frequencies_hz.tolist(),
            (20.0 * np.log10(np.abs(curve.loop))).tolist(),
            title=f"{loaded.model.name}, {fingering}: impedance of the loop through the window",
            y_label="dB re 1 Pa s/m3",
            marks=[(float(f), f"{f:.0f}") for f in found],
        )
        write_whole(plot, picture)
    cutoff = lattice_cutoff_hz(network)
    print_table(
        f"{loaded.model.name}, {fingering}: resonances on the grid",
        ["number", "Hz"],
        [[str(i), f"{f:.1f}"] for i, f in enumerate(found, start=1)],
    )
    if cutoff is not None:
        sys.stdout.write(f"cutoff of the row of open holes: {cutoff:.0f} Hz\n")
    for path in (csv, plot):
        if path is not None:
            sys.stdout.write(f"{path}\n")


def standing_wave(
    model: ModelArg,
    fingering: Annotated[str, typer.Option("--fingering", help="c, h, o for each hole, for example 'ccc ooo'.")],
    at_hz: Annotated[float | None, typer.Option("--at-hz", help="Frequency, Hz.")] = None,
    resonance: Annotated[int | None, typer.Option("--resonance", help="Or the number of a resonance, 1 to 12.")] = None,
    csv: Annotated[Path | None, typer.Option("--csv", help="Write places, pressure and flow as CSV.")] = None,
    plot: Annotated[Path | None, typer.Option("--plot", help="Write the wave over the instrument as SVG.")] = None,
    theme: Annotated[str, typer.Option("--theme", help="light or dark, for the picture.")] = "light",
) -> None:
    """Compute pressure and flow inside the bore at one frequency, place by place."""
    import numpy as np

    from fluewright.acoustics.inside import field_along_bore, with_fingering
    from fluewright.acoustics.network import build_network
    from fluewright.acoustics.ranges import out_of_range
    from fluewright.acoustics.resonance import resonances_by_mode
    from fluewright.instrument.starting import load

    if (at_hz is None) == (resonance is None):
        raise InputError("name either --at-hz (a frequency) or --resonance (its number), for example --resonance 1")
    if theme not in ("light", "dark"):
        raise InputError(f"--theme is {theme!r}; it can be light or dark")
    loaded = load(model)
    one = with_fingering(build_network(loaded), fingering)
    with console(error=True).status("computing"):
        if resonance is not None:
            at_hz = float(resonances_by_mode(one, resonance)[0][1][-1])
            if at_hz != at_hz:
                raise ComputeError(f"--resonance {resonance}: losses drown it with the fingering {fingering}")
        assert at_hz is not None
        x, pressure, flow = field_along_bore(one, 0, at_hz)
    warn_ranges(out_of_range(one, [at_hz]))
    if csv is not None:
        lines = ["x_mm,pressure_re,pressure_im,flow_re_m3_s_pa,flow_im_m3_s_pa"]
        lines += [
            f"{1e3 * a:.6g},{p.real:.9g},{p.imag:.9g},{u.real:.9g},{u.imag:.9g}"
            for a, p, u in zip(x, pressure, flow, strict=True)
        ]
        write_whole(csv, "\n".join(lines) + "\n")
    if plot is not None:
        from fluewright.pictures.standing import standing_wave as picture

        drawn = picture(
            loaded, (1e3 * x).tolist(), np.abs(pressure).tolist(), np.abs(flow).tolist(),
            title=f"{loaded.model.name}, {fingering}: inside at {at_hz:.1f} Hz", holes=one.fingerings[0].holes,
            theme="dark" if theme == "dark" else "light",
        )  # fmt: skip
        write_whole(plot, drawn)
    # Holes come twice; between them the pressure is smooth.
    once = np.concatenate([[True], x[1:] > x[:-1]])
    x, level = x[once], np.abs(pressure)[once]
    inner = np.flatnonzero((level[1:-1] <= level[:-2]) & (level[1:-1] < level[2:])) + 1
    print_table(
        f"{loaded.model.name}, {fingering}: inside at {at_hz:.2f} Hz",
        ["place", "mm from the windway exit", "pressure over the largest"],
        [
            ["largest pressure", f"{1e3 * x[np.argmax(level)]:.1f}", "1.000"],
            *(["smallest pressure", f"{1e3 * x[i]:.1f}", f"{level[i]:.3f}"] for i in inner),
        ],
    )
    for path in (csv, plot):
        if path is not None:
            sys.stdout.write(f"{path}\n")
