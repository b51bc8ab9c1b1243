"""How a model sounds: every note, what each size does, the impedance at the window."""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fluewright.cli.arguments import JsonOpt, ModelArg, ThemeOpt, theme_of
from fluewright.cli.printing import computing, figure, finite, print_files, print_json, print_table, put, warn_ranges
from fluewright.errors import ComputeError, InputError
from fluewright.files import write_whole

if TYPE_CHECKING:
    from fluewright.acoustics.impedance import ImpedanceCurve
    from fluewright.acoustics.network import Dimension, Network
    from fluewright.acoustics.range_notes import RangeNote
    from fluewright.acoustics.resonance import NotePrediction
    from fluewright.acoustics.uncertainty import NoteUncertainty, Prediction
    from fluewright.arrays import ComplexArray, FloatArray
    from fluewright.instrument.model import Model

    # Fingering text, its resonances in Hz.
    ByMode = tuple[tuple[str, FloatArray], ...]

__all__ = ["impedance", "predict", "range_data", "sensitivity", "standing_wave"]

NoWallLossesOpt = Annotated[
    bool,
    typer.Option(
        "--no-wall-losses",
        help="Leave out friction and heat exchange at the walls of bore and holes; openings still radiate.",
    ),
]
NoRadiationOpt = Annotated[
    bool,
    typer.Option(
        "--no-radiation",
        help="Leave out the sound that window, holes and foot send away, and its delay between them; walls still cost.",
    ),
]
_MOST_POINTS = 100_000
FingeringOpt = Annotated[str, typer.Option("--fingering", help="c, h, o for each hole, for example 'ccc ooo'.")]


def range_data(notes: "Iterable[RangeNote]") -> list[dict[str, Any]]:
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


def _predicted(
    model: "Model", sound_speed: float | None, wall_losses: bool, radiation: bool, modes: int
) -> "tuple[Prediction, ByMode]":
    """Return the prediction of a model, and so many resonances of every fingering."""
    from fluewright.acoustics.network import Rules, air_of, build_network
    from fluewright.acoustics.resonance import resonances_by_mode
    from fluewright.acoustics.uncertainty import prediction_of

    air = air_of(model)
    if sound_speed is not None:
        if not 250.0 <= sound_speed <= 450.0:
            raise InputError(f"--sound-speed is {sound_speed}; it must lie between 250 and 450 m/s, for example 345.2")
        air = replace(air, sound_speed=sound_speed)
    network = build_network(model, air=air, rules=Rules(lossy=wall_losses, radiate=radiation))
    with computing():
        return prediction_of(network), resonances_by_mode(network, modes) if modes else ()


def _note_data(p: "NotePrediction", u: "NoteUncertainty") -> dict[str, Any]:
    return {
        "note": p.note,
        "register": p.register,
        "fingering": p.fingering.text,
        "frequency_hz": p.frequency_hz,
        "target_hz": p.target_hz,
        "cents": p.cents,
        "uncertainty_cents": p.uncertainty_cents,
        "from_model_cents": u.from_model_cents,
        "from_dimensions_cents": u.from_dimensions_cents,
        "largest": [{"size": c.key, "sigma": c.sigma, "unit": c.unit, "cents": c.cents} for c in u.largest],
        "quality": finite(p.quality),
    }


def _prediction_data(model: "Model", prediction: "Prediction", by_mode: "ByMode") -> dict[str, Any]:
    data = {
        "model": model.model.name,
        "a4_hz": model.target.a4_hz,
        "temperature_c": model.conditions.temperature_c,
        "warnings": [note.text for note in prediction.out_of_range],
        "out_of_range": range_data(prediction.out_of_range),
        "notes": [_note_data(p, u) for p, u in zip(prediction.notes, prediction.uncertainties, strict=True)],
    }
    if by_mode:
        data["modes"] = {text: [finite(float(v)) for v in row] for text, row in by_mode}
    return data


def _print_prediction(model: "Model", prediction: "Prediction", without: list[str]) -> None:
    left_out = f" without {' and '.join(without)}" if without else ""
    print_table(
        f"{model.model.name}: natural resonances{left_out} at {model.conditions.temperature_c:g} degC, "
        f"A4 = {model.target.a4_hz:g} Hz",
        ["note", "register", "fingering", "Hz", "target Hz", "cents", "+/- model", "+/- sizes", "Q"],
        [
            [
                p.note, str(p.register), p.fingering.text, f"{p.frequency_hz:.2f}", f"{p.target_hz:.2f}",
                f"{p.cents:+.1f}", f"{u.from_model_cents:.1f}", f"{u.from_dimensions_cents:.1f}", figure(p.quality, 1),
            ]
            for p, u in zip(prediction.notes, prediction.uncertainties, strict=True)
        ],
    )  # fmt: skip


def _print_largest(model: "Model", prediction: "Prediction") -> None:
    print_table(
        f"{model.model.name}: the sizes that matter most at the shop's tolerances (one sigma), cents",
        ["note", "register", "largest", "second", "third"],
        [
            [
                u.fingering.note,
                str(u.fingering.register),
                *(f"{c.key} +{c.sigma:g} {c.unit}: {c.cents:+.1f}" for c in u.largest),
                *[""] * (3 - len(u.largest)),
            ]
            for u in prediction.uncertainties
        ],
    )


def predict(
    model: ModelArg,
    plot: Annotated[Path | None, typer.Option("--plot", help="Write the hanging chart as SVG.")] = None,
    theme: ThemeOpt = "light",
    no_wall_losses: NoWallLossesOpt = False,
    no_radiation: NoRadiationOpt = False,
    sound_speed: Annotated[
        float | None, typer.Option("--sound-speed", help="Speed of sound in m/s instead of the model's air.")
    ] = None,
    modes: Annotated[int, typer.Option("--modes", help="Also list this many resonances of every fingering.")] = 0,
    uncertainty: Annotated[
        bool, typer.Option("--uncertainty", help="Also list the sizes that make each note least sure.")
    ] = False,
    as_json: JsonOpt = False,
) -> None:
    """Say what every note will sound: frequency, cents against the target, and how sure that is.

    Natural resonances with the windway closed; `fluewright blow` says what the breath makes of them. Q is how sharp a
    resonance is; "-" where nothing is lost.
    """
    from fluewright.instrument.starting import load

    chosen = theme_of(theme)
    loaded = load(model)
    prediction, by_mode = _predicted(loaded, sound_speed, not no_wall_losses, not no_radiation, modes)
    warn_ranges(prediction.out_of_range)
    if plot is not None:
        from fluewright.pictures.chart import hanging_chart
        from fluewright.shop.result_pictures import predicted_marks

        write_whole(
            plot, hanging_chart(loaded, predicted_marks(prediction.notes), theme=chosen, title=loaded.model.name)
        )
    if as_json:
        print_json(_prediction_data(loaded, prediction, by_mode))
        return
    switches = (("wall losses", no_wall_losses), ("radiation", no_radiation))
    _print_prediction(loaded, prediction, [name for name, left_out in switches if left_out])
    if uncertainty:
        _print_largest(loaded, prediction)
    if by_mode:
        print_table(
            f"the lowest {modes} resonances of every fingering, Hz",
            ["fingering", *(str(m) for m in range(1, modes + 1))],
            [[text, *(figure(float(v), 2) for v in row)] for text, row in by_mode],
        )
    print_files(plot)


def _effects(network: "Network", by_dimension_cents: "FloatArray") -> "list[tuple[Dimension, FloatArray]]":
    """Return every size with its cents a step of 0.1 mm or 1 degree, shape (notes,)."""
    return [
        (d, by_dimension_cents[:, j] * (0.1 if d.unit == "mm" else 1.0)) for j, d in enumerate(network.dimensions)
    ]  # fmt: skip


def _sensitivity_data(
    network: "Network", rows: "list[tuple[Dimension, FloatArray]]", beyond: "Iterable[RangeNote]"
) -> dict[str, Any]:
    return {
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
    with computing():
        solved = resonances(network, sensitivities=True)
    beyond = out_of_range(network, solved.frequencies_hz)
    warn_ranges(beyond)
    title = f"{loaded.model.name}: cents per 0.1 mm (angles: per degree)"
    names = [f"{f.note} {f.register}" for f in network.fingerings]
    rows = _effects(network, solved.by_dimension_cents)
    if plot is not None:
        from fluewright.pictures.curves import effect_bars

        shown = [(d, v) for d, v in rows if max(abs(v)) > 0.05]
        write_whole(plot, effect_bars([d.key for d, _ in shown], [v.tolist() for _, v in shown], names, title=title))
    if as_json:
        print_json(_sensitivity_data(network, rows, beyond))
        return
    print_table(title, ["size", *names], [[d.key, *(f"{c:+.2f}" for c in v)] for d, v in rows])
    print_files(plot)


def _csv(header: str, x: "Iterable[float]", *columns: "ComplexArray") -> str:
    """Return a table as CSV: x, then real and imaginary part of every column."""

    def row(at: float, values: Iterable[complex]) -> Iterator[str]:
        yield f"{at:.6g}"
        for v in values:
            yield f"{v.real:.9g}"
            yield f"{v.imag:.9g}"

    return "\n".join([header, *(",".join(row(a, v)) for a, *v in zip(x, *columns, strict=True))]) + "\n"


def _frequencies(low_hz: float, high_hz: float, step_hz: float) -> "FloatArray":
    """Return the frequencies asked for, shape (n,)."""
    import numpy as np

    from fluewright.acoustics.impedance import HIGHEST_HZ, LOWEST_HZ

    if not (
        LOWEST_HZ <= low_hz < high_hz <= HIGHEST_HZ and (high_hz - low_hz) / _MOST_POINTS <= step_hz <= high_hz - low_hz
    ):
        raise InputError(
            f"--from {low_hz:g} --to {high_hz:g} --step {step_hz:g}: need {LOWEST_HZ:g} <= from < to <= {HIGHEST_HZ:g} "
            f"Hz and a step that fits between them, at most {_MOST_POINTS} times"
        )
    return np.arange(low_hz, high_hz + 0.5 * step_hz, step_hz)


def _impedance_picture(curve: "ImpedanceCurve", found: "FloatArray", title: str) -> str:
    import numpy as np

    from fluewright.pictures.curves import level_curve

    return level_curve(
        curve.frequencies_hz.tolist(),
        (20.0 * np.log10(np.abs(curve.loop))).tolist(),
        title=title,
        y_label="dB re 1 Pa s/m3",
        marks=[(float(f), f"{f:.0f}") for f in found],
    )


def impedance(
    model: ModelArg,
    fingering: FingeringOpt,
    csv: Annotated[Path | None, typer.Option("--csv", help="Write the curve as CSV.")] = None,
    plot: Annotated[Path | None, typer.Option("--plot", help="Write the curve as SVG.")] = None,
    low_hz: Annotated[float, typer.Option("--from", help="First frequency, Hz.")] = 100.0,
    high_hz: Annotated[float, typer.Option("--to", help="Last frequency, Hz.")] = 4000.0,
    step_hz: Annotated[float, typer.Option("--step", help="Step, Hz.")] = 2.0,
) -> None:
    """Compute the impedance seen from the window for one fingering."""
    from fluewright.acoustics.impedance import impedance_curve, lattice_cutoff_hz
    from fluewright.acoustics.inside import with_fingering
    from fluewright.acoustics.network import build_network
    from fluewright.acoustics.ranges import out_of_range
    from fluewright.instrument.starting import load

    loaded = load(model)
    frequencies = _frequencies(low_hz, high_hz, step_hz)
    network = build_network(loaded)
    one = with_fingering(network, fingering)
    with computing():
        curve = impedance_curve(one, 0, frequencies)
    warn_ranges(out_of_range(one, curve.frequencies_hz))
    x = curve.loop.imag
    found = curve.frequencies_hz[:-1][(x[:-1] < 0) & (x[1:] >= 0)]
    name = f"{loaded.model.name}, {fingering}"
    if csv is not None:
        header = "frequency_hz,bore_re_pa_s_m3,bore_im_pa_s_m3,loop_re_pa_s_m3,loop_im_pa_s_m3"
        write_whole(csv, _csv(header, curve.frequencies_hz, curve.bore, curve.loop))
    if plot is not None:
        write_whole(plot, _impedance_picture(curve, found, f"{name}: impedance of the loop through the window"))
    print_table(
        f"{name}: resonances on the grid", ["number", "Hz"], [[str(i), f"{f:.1f}"] for i, f in enumerate(found, 1)]
    )  # fmt: skip
    cutoff = lattice_cutoff_hz(network)
    if cutoff is not None:
        put(f"cutoff of the row of open holes: {cutoff:.0f} Hz\n")
    print_files(csv, plot)


def _chosen_hz(one: "Network", fingering: str, at_hz: float | None, number: int | None) -> float:
    """Return the frequency given, or that of a resonance of a network's only fingering."""
    from fluewright.acoustics.resonance import resonances_by_mode

    if at_hz is not None and number is None:
        return at_hz
    if number is None or at_hz is not None:
        raise InputError("name either --at-hz (a frequency) or --resonance (its number), for example --resonance 1")
    with computing():
        found = float(resonances_by_mode(one, number)[0][1][-1])
    if found != found:
        raise ComputeError(f"--resonance {number}: losses drown it with the fingering {fingering}")
    return found


def _print_standing_wave(title: str, x: "FloatArray", pressure: "ComplexArray") -> None:
    """Print where the pressure inside is largest and smallest; x in m, both of shape (n,)."""
    import numpy as np

    # Holes come twice; between them the pressure is smooth.
    once = np.concatenate([[True], x[1:] > x[:-1]])
    x, level = x[once], np.abs(pressure)[once]
    inner = np.flatnonzero((level[1:-1] <= level[:-2]) & (level[1:-1] < level[2:])) + 1
    print_table(
        title,
        ["place", "mm from the windway exit", "pressure over the largest"],
        [
            ["largest pressure", f"{1e3 * x[np.argmax(level)]:.1f}", "1.000"],
            *(["smallest pressure", f"{1e3 * x[i]:.1f}", f"{level[i]:.3f}"] for i in inner),
        ],
    )


def standing_wave(
    model: ModelArg,
    fingering: FingeringOpt,
    at_hz: Annotated[float | None, typer.Option("--at-hz", help="Frequency, Hz.")] = None,
    resonance: Annotated[int | None, typer.Option("--resonance", help="Or the number of a resonance, 1 to 12.")] = None,
    csv: Annotated[Path | None, typer.Option("--csv", help="Write places, pressure and flow as CSV.")] = None,
    plot: Annotated[Path | None, typer.Option("--plot", help="Write the wave over the instrument as SVG.")] = None,
    theme: ThemeOpt = "light",
) -> None:
    """Compute pressure and flow inside the bore at one frequency, place by place."""
    import numpy as np

    from fluewright.acoustics.inside import field_along_bore, with_fingering
    from fluewright.acoustics.network import build_network
    from fluewright.acoustics.ranges import out_of_range
    from fluewright.instrument.starting import load

    chosen = theme_of(theme)
    loaded = load(model)
    one = with_fingering(build_network(loaded), fingering)
    hz = _chosen_hz(one, fingering, at_hz, resonance)
    with computing():
        x, pressure, flow = field_along_bore(one, 0, hz)
    warn_ranges(out_of_range(one, [hz]))
    name = f"{loaded.model.name}, {fingering}: inside at"
    if csv is not None:
        write_whole(csv, _csv("x_mm,pressure_re,pressure_im,flow_re_m3_s_pa,flow_im_m3_s_pa", 1e3 * x, pressure, flow))
    if plot is not None:
        from fluewright.pictures.standing import standing_wave as picture

        drawn = picture(
            loaded, (1e3 * x).tolist(), np.abs(pressure).tolist(), np.abs(flow).tolist(), title=f"{name} {hz:.1f} Hz",
            holes=one.fingerings[0].holes, theme=chosen,
        )  # fmt: skip
        write_whole(plot, drawn)
    _print_standing_wave(f"{name} {hz:.2f} Hz", x, pressure)
    print_files(csv, plot)
