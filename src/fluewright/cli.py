"""The command line: thin verbs over the packages; heavy imports happen inside the verb that needs them."""

import json
import os
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import typer

from fluewright import __version__
from fluewright.errors import ComputeError, FluewrightError, InputError

__all__ = ["app", "main"]

app = typer.Typer(
    name="fluewright",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Design, make, tune and judge duct flutes with computed acoustics.",
    epilog="Example: fluewright predict d5-cylinder",
)
ledger_app = typer.Typer(no_args_is_help=True, help="The shop's records: models, instruments, trials, cuts.")
app.add_typer(ledger_app, name="ledger")

ModelArg = Annotated[str, typer.Argument(metavar="MODEL", help="A model file, or the name of a starting model.")]
JsonOpt = Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")]
LedgerOpt = Annotated[Path, typer.Option("--ledger", help="The ledger's file.")]


def _print_json(data: Any) -> None:
    sys.stdout.write(json.dumps(data, indent=2, allow_nan=False, ensure_ascii=False) + "\n")


def _console(*, error: bool = False) -> Any:
    from rich.console import Console

    return Console(stderr=error, highlight=False, soft_wrap=True)


def _warn(lines: list[str] | tuple[str, ...]) -> None:
    for line in lines:
        sys.stderr.write(f"warning: {line}\n")


def _table(title: str, columns: list[str], rows: list[list[str]]) -> None:
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    # A table is never narrowed: figures cut off at the edge of a pipe or a small window would be lost.
    table = Table(title=escape(title), box=box.SIMPLE_HEAD, title_justify="left")
    for i, name in enumerate(columns):
        table.add_column(name, justify="left" if i == 0 else "right", no_wrap=True)
    for row in rows:
        table.add_row(*(escape(cell) for cell in row))
    from rich.console import Console

    Console(highlight=False, width=max(240, max((sum(map(len, row)) for row in rows), default=0) + 60)).print(table)


def _finite(value: float) -> float | None:
    return value if value == value and abs(value) != float("inf") else None


def _say_version(wanted: bool) -> None:
    if wanted:
        sys.stdout.write(f"fluewright {__version__}\n")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and end.", is_eager=True, callback=_say_version)
    ] = False,
) -> None:
    pass


@app.command()
def models(as_json: JsonOpt = False) -> None:
    """List the starting models that come with the program."""
    from fluewright.instrument.starting import load, starting_models

    found = [(name, load(name)) for name in starting_models()]
    if as_json:
        _print_json(
            {
                "models": [
                    {
                        "name": name,
                        "description": m.model.description,
                        "lowest_note": m.model.lowest_note,
                        "length_mm": m.length_mm,
                        "holes": len(m.holes),
                    }
                    for name, m in found
                ]
            }
        )
        return
    _table(
        "Starting models",
        ["name", "lowest", "length mm", "holes", "description"],
        [
            [name, m.model.lowest_note, f"{m.length_mm:.1f}", str(len(m.holes)), m.model.description]
            for name, m in found
        ],
    )


@app.command()
def new(
    starting: Annotated[str, typer.Argument(metavar="STARTING", help="Starting model to copy; see `models`.")],
    path: Annotated[Path, typer.Argument(metavar="FILE", help="File to write.")],
    force: Annotated[bool, typer.Option("--force", help="Replace an existing file.")] = False,
) -> None:
    """Copy a starting model to a file of your own."""
    from fluewright.instrument.starting import starting_models

    known = starting_models()
    if starting not in known:
        raise InputError(f"{starting}: no starting model has that name; there are {', '.join(known)}")
    if path.exists() and not force:
        raise InputError(f"{path}: the file exists; choose another name or say --force")
    _write_text(path, known[starting].read_text(encoding="utf-8"))
    sys.stdout.write(f"{path}\n")


@app.command()
def check(
    model: Annotated[str | None, typer.Argument(metavar="MODEL", help="Model file or starting model.")] = None,
    write_schema: Annotated[
        Path | None, typer.Option("--write-schema", help="Write the JSON Schema of model files instead.")
    ] = None,
) -> None:
    """Check a model file: faults end with exit code 2, unusual sizes are said as warnings."""
    if write_schema is not None:
        from fluewright.instrument.files import write_schema as write

        write(write_schema)
        sys.stdout.write(f"{write_schema}\n")
        return
    if model is None:
        raise InputError("check: name a model file, for example `fluewright check d5-cylinder`")
    from fluewright.instrument.geometry import warnings_for
    from fluewright.instrument.starting import load

    loaded = load(model)
    notes = warnings_for(loaded)
    _warn(notes)
    sys.stdout.write(f"{model}: good, {len(notes)} warning{'' if len(notes) == 1 else 's'}\n")


def _marks(predictions: Any) -> list[Any]:
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


def _write_text(path: Path, text: str) -> None:
    """Write a file at once or not at all."""
    temporary: Path | None = None
    try:
        if path.is_dir():
            raise InputError(f"{path}: is a folder; name a file in it")
        handle, name = tempfile.mkstemp(prefix=f".{path.name[:40]}.", suffix=".part", dir=path.parent)
        temporary = Path(name)
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
        temporary.chmod(0o644)
        temporary.replace(path)
    except OSError as error:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
        raise InputError(
            f"{path}: cannot be written ({error.strerror or error}); choose a folder that exists and that you may "
            "write to"
        ) from error


@app.command()
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
    as_json: JsonOpt = False,
) -> None:
    """Say what every note will sound: frequency, cents against the target, and how sure that is."""
    from fluewright.acoustics.network import Rules, air_of, build_network
    from fluewright.acoustics.resonance import predict_notes, resonances_by_mode
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
    with _console(error=True).status("computing; the first run after an installation compiles for half a minute"):
        notes = predict_notes(network)
        by_mode = resonances_by_mode(network, modes) if modes else ()
    _warn(network.air.warnings)
    if plot is not None:
        from fluewright.pictures.chart import hanging_chart

        _write_text(plot, hanging_chart(loaded, _marks(notes), theme=theme, title=loaded.model.name))
    if as_json:
        _print_json(
            {
                "model": loaded.model.name,
                "a4_hz": loaded.target.a4_hz,
                "temperature_c": loaded.conditions.temperature_c,
                "warnings": list(network.air.warnings),
                "notes": [
                    {
                        "note": p.note,
                        "register": p.register,
                        "fingering": p.fingering.text,
                        "frequency_hz": p.frequency_hz,
                        "target_hz": p.target_hz,
                        "cents": p.cents,
                        "uncertainty_cents": p.uncertainty_cents,
                        "quality": _finite(p.quality),
                    }
                    for p in notes
                ],
                **({"modes": {text: [_finite(float(v)) for v in row] for text, row in by_mode}} if modes else {}),
            }
        )
        return
    _table(
        f"{loaded.model.name}: {'lossless' if lossless else 'natural'} resonances at "
        f"{loaded.conditions.temperature_c:g} degC, "
        f"A4 = {loaded.target.a4_hz:g} Hz",
        ["note", "register", "fingering", "Hz", "target Hz", "cents", "+/- cents"],
        [
            [
                p.note,
                str(p.register),
                p.fingering.text,
                f"{p.frequency_hz:.2f}",
                f"{p.target_hz:.2f}",
                f"{p.cents:+.1f}",
                f"{p.uncertainty_cents:.1f}",
            ]
            for p in notes
        ],
    )
    if modes:
        _table(
            f"the lowest {modes} resonances of every fingering, Hz",
            ["fingering", *(str(m) for m in range(1, modes + 1))],
            [[text, *("-" if v != v else f"{v:.2f}" for v in row)] for text, row in by_mode],
        )
    if plot is not None:
        sys.stdout.write(f"{plot}\n")


@app.command()
def sensitivity(
    model: ModelArg,
    plot: Annotated[Path | None, typer.Option("--plot", help="Write the picture as SVG.")] = None,
    as_json: JsonOpt = False,
) -> None:
    """Say what 0.1 mm (or 1 degree) of every size does to every note, in cents."""
    from fluewright.acoustics.network import build_network
    from fluewright.acoustics.resonance import resonances
    from fluewright.instrument.starting import load

    loaded = load(model)
    network = build_network(loaded)
    with _console(error=True).status("computing"):
        effects = resonances(network, sensitivities=True).by_dimension_cents
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
        _write_text(plot, picture)
    if as_json:
        _print_json(
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
            }
        )
        return
    _table(
        f"{loaded.model.name}: cents per 0.1 mm (angles: per degree)",
        ["size", *names],
        [[d.key, *(f"{c:+.2f}" for c in v)] for d, v in rows],
    )
    if plot is not None:
        sys.stdout.write(f"{plot}\n")


@app.command()
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
    from fluewright.acoustics.network import build_network
    from fluewright.instrument.fingering import parse_holes
    from fluewright.instrument.starting import load

    loaded = load(model)
    if not (0 < low_hz < high_hz <= 20000.0 and 0.01 <= step_hz <= high_hz - low_hz):
        raise InputError(
            f"--from {low_hz} --to {high_hz} --step {step_hz}: need 0 < from < to <= 20000 Hz and a step of at least "
            "0.01 Hz that fits between them"
        )
    network = build_network(loaded)
    states = np.array([parse_holes(fingering, len(loaded.holes))], dtype=np.int8).reshape(1, -1)
    one = replace(network, states=states, fingerings=network.fingerings[:1], modes=network.modes[:1])
    with _console(error=True).status("computing"):
        curve = impedance_curve(one, 0, np.arange(low_hz, high_hz + 0.5 * step_hz, step_hz))
    x = curve.loop.imag
    found = curve.frequencies_hz[:-1][(x[:-1] < 0) & (x[1:] >= 0)]
    if csv is not None:
        lines = ["frequency_hz,bore_re_pa_s_m3,bore_im_pa_s_m3,loop_re_pa_s_m3,loop_im_pa_s_m3"]
        lines += [
            f"{f:.6g},{b.real:.9g},{b.imag:.9g},{z.real:.9g},{z.imag:.9g}"
            for f, b, z in zip(curve.frequencies_hz, curve.bore, curve.loop, strict=True)
        ]
        _write_text(csv, "\n".join(lines) + "\n")
    if plot is not None:
        from fluewright.pictures.curves import level_curve

        picture = level_curve(
            curve.frequencies_hz.tolist(),
            (20.0 * np.log10(np.abs(curve.loop))).tolist(),
            title=f"{loaded.model.name}, {fingering}: impedance of the loop through the window",
            y_label="dB re 1 Pa s/m3",
            marks=[(float(f), f"{f:.0f}") for f in found],
        )
        _write_text(plot, picture)
    cutoff = lattice_cutoff_hz(network)
    _table(
        f"{loaded.model.name}, {fingering}: resonances on the grid",
        ["number", "Hz"],
        [[str(i), f"{f:.1f}"] for i, f in enumerate(found, start=1)],
    )
    if cutoff is not None:
        sys.stdout.write(f"cutoff of the row of open holes: {cutoff:.0f} Hz\n")
    for path in (csv, plot):
        if path is not None:
            sys.stdout.write(f"{path}\n")


@app.command()
def fit(
    model: ModelArg,
    out: Annotated[Path | None, typer.Option("--out", "-o", help="Write the fitted model here.")] = None,
    a4_hz: Annotated[float | None, typer.Option("--a4-hz", help="Tuning standard.")] = None,
    temperature_c: Annotated[float | None, typer.Option("--temperature-c", help="Air in the bore.")] = None,
    as_json: JsonOpt = False,
) -> None:
    """Fit hole positions, diameters and length to the target in all registers, within the model's limits."""
    from fluewright.design.fit import fit_model
    from fluewright.instrument.files import write_model
    from fluewright.instrument.starting import load, starting_models

    loaded = _with_target(load(model), a4_hz, temperature_c)
    with _console(error=True).status("fitting"):
        result = fit_model(loaded)
    if out is not None:
        like = starting_models().get(model) or Path(model)
        write_model(result.model, out, like=out if out.exists() else like)
    if result.broken_rules:
        _warn([f"could not be kept: {rule}" for rule in result.broken_rules])
    if as_json:
        _print_json(
            {
                "rms_cents": result.rms_cents,
                "worst_cents": result.worst_cents,
                "changed": [{"key": k, "before_mm": b, "after_mm": a} for k, b, a in result.changed],
                "at_limit": list(result.at_limit),
                "broken_rules": list(result.broken_rules),
                "file": str(out) if out else None,
            }
        )
        return
    _table(
        f"{loaded.model.name}: fitted, {result.rms_cents:.1f} cents rms, worst {result.worst_cents:+.1f}",
        ["size", "before mm", "after mm", "at a limit"],
        [[k, f"{b:.2f}", f"{a:.2f}", "yes" if k in result.at_limit else ""] for k, b, a in result.changed],
    )
    if out is not None:
        sys.stdout.write(f"{out}\n")


def _with_target(model: Any, a4_hz: float | None, temperature_c: float | None) -> Any:
    from fluewright.instrument.files import validate_model

    raw = model.model_dump()
    if a4_hz is not None:
        raw["target"]["a4_hz"] = a4_hz
    if temperature_c is not None:
        raw["conditions"]["temperature_c"] = temperature_c
    return validate_model(raw, place=model.model.name) if (a4_hz is not None or temperature_c is not None) else model


def _hear(path: Path) -> tuple[Any, Any, list[str]]:
    """Return the recording, what was heard in it, and every warning once."""
    from fluewright.listening import hear_notes, read_recording

    recording = read_recording(path)
    hearing = hear_notes(recording)
    warnings = list(dict.fromkeys([*recording.warnings, *hearing.warnings]))
    return recording, hearing, [f"{path}: {line}" for line in warnings]


@app.command()
def listen(
    recording: Annotated[Path, typer.Argument(metavar="FILE", help="A recording, WAV or FLAC.")],
    model: Annotated[str | None, typer.Option("--model", help="Judge against this model's target.")] = None,
    a4_hz: Annotated[float, typer.Option("--a4-hz", help="Tuning standard when no model is named.")] = 440.0,
    as_json: JsonOpt = False,
) -> None:
    """Hear the notes of a recording: when, which, how high, and how sure that is."""
    from fluewright.instrument.pitch import cents, nearest_note

    if not 300.0 <= a4_hz <= 600.0:
        raise InputError(f"--a4-hz is {a4_hz}; it must lie between 300 and 600 Hz, for example 442")
    targets: dict[str, float] = {}
    if model is not None:
        from fluewright.instrument.fingering import fingerings_of
        from fluewright.instrument.starting import load
        from fluewright.instrument.temperament import target_frequency_hz

        loaded = load(model)
        targets = {
            f.note: target_frequency_hz(loaded.target, f.note, loaded.model.lowest_note) for f in fingerings_of(loaded)
        }
    sound, hearing, warnings = _hear(recording)
    _warn(warnings)
    rows = []
    for heard in hearing.notes:
        if targets:
            note = min(targets, key=lambda name: abs(cents(heard.frequency_hz, targets[name])))
            off = float(cents(heard.frequency_hz, targets[note]))
        else:
            note, off = nearest_note(heard.frequency_hz, a4_hz)
        rows.append((heard, note, off))
    if as_json:
        _print_json(
            {
                "file": str(recording),
                "sha256": sound.sha256,
                "duration_s": sound.duration_s,
                "warnings": warnings,
                "notes": [
                    {
                        "onset_s": h.onset_s,
                        "offset_s": h.offset_s,
                        "frequency_hz": h.frequency_hz,
                        "frequency_uncertainty_hz": h.frequency_uncertainty_hz,
                        "note": note,
                        "cents": off,
                        "drift_cents_per_s": _finite(h.drift_cents_per_s),
                        "steadiness_cents": _finite(h.steadiness_cents),
                        "level_db": _finite(h.level_db),
                        "harmonic_to_noise_db": _finite(h.harmonic_to_noise_db),
                    }
                    for h, note, off in rows
                ],
            }
        )
        return
    _table(
        f"{recording.name}: {len(rows)} notes in {sound.duration_s:.1f} s",
        ["note", "from s", "to s", "Hz", "+/- Hz", "cents", "steadiness cents", "level dB"],
        [
            [
                note,
                f"{h.onset_s:.2f}",
                f"{h.offset_s:.2f}",
                f"{h.frequency_hz:.3f}",
                f"{h.frequency_uncertainty_hz:.3f}",
                f"{off:+.1f}",
                "-" if h.steadiness_cents != h.steadiness_cents else f"{h.steadiness_cents:.1f}",
                f"{h.level_db:.0f}",
            ]
            for h, note, off in rows
        ],
    )


def _sizes(pairs: list[str]) -> dict[str, float]:
    sizes = {}
    for pair in pairs:
        key, _, text = pair.partition("=")
        try:
            value = float(text)
        except ValueError:
            raise InputError(
                f"--size {pair!r}: write KEY=MILLIMETRES, for example --size holes.3.diameter_mm=6.2"
            ) from None
        if key.strip() in sizes:
            raise InputError(f"--size {pair!r}: {key.strip()} is given twice; keep one of them")
        sizes[key.strip()] = value
    return sizes


def _existing_ledger(path: Path) -> Path:
    if not path.exists():
        raise InputError(
            f"{path}: there is no ledger; check the path, or begin one with "
            f"`fluewright ledger add-model MODEL --ledger {path}`"
        )
    return path


@app.command(name="next-cut")
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
    given = _sizes(size or [])
    loaded = load(model)
    sizes, earlier, known = checked_sizes(loaded, given, place="--size"), [], frozenset[str]()
    warnings: list[str] = []
    if ledger is not None and serial is not None:
        piece = earlier_trials(_existing_ledger(ledger), serial, loaded)
        sizes, earlier, known = {**piece.as_built, **sizes}, list(piece.trials), piece.recordings
        warnings += piece.warnings
    heard = []
    for path in recordings:
        sound, hearing, odd = _hear(path)
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
    _warn(warnings)
    verdict = advice.verdict
    cut = verdict.proposal
    if as_json:
        _print_json(
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
    _table(
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


@app.command()
def sheet(
    model: ModelArg,
    out: Annotated[Path | None, typer.Option("--out", "-o", help="PDF to write; NAME-sheet.pdf by default.")] = None,
) -> None:
    """Write the shop sheet: drawing, dimensions from one datum, hole template at 1:1."""
    from fluewright.acoustics.network import build_network
    from fluewright.acoustics.resonance import predict_notes
    from fluewright.instrument.starting import load
    from fluewright.making.sheet import write_sheet

    loaded = load(model)
    path = out or Path(f"{loaded.model.name}-sheet.pdf")
    with _console(error=True).status("drawing"):
        write_sheet(loaded, path, marks=_marks(predict_notes(build_network(loaded))), timestamp=None)
    sys.stdout.write(f"{path}\n")


@app.command()
def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder for everything that it writes.")] = Path("demo-out"),
    seed: Annotated[int, typer.Option("--seed", help="Chooses the virtual piece.")] = 1,
    as_json: JsonOpt = False,
) -> None:
    """Run the whole job once on invented data: design, sheet, a virtual piece, trials, cuts, certificate."""
    if seed < 0:
        raise InputError(f"--seed is {seed}; it must be 0 or more, for example 1")
    if out.exists() and not out.is_dir():
        raise InputError(f"--out is {out}, which is a file; name a folder")
    from fluewright.demo.story import run_story

    with _console(error=True).status("designing") as status:
        story = run_story(out, seed=seed, say=lambda text: status.update(text))
    if as_json:
        _print_json(story.as_data())
        return
    _table(story.title, story.columns, story.rows)
    sys.stdout.write(story.verdict + "\n")
    for path in story.files:
        sys.stdout.write(f"  {path}\n")


@ledger_app.command("show")
def ledger_show(
    ledger: LedgerOpt,
    serial: Annotated[str | None, typer.Argument(metavar="SERIAL", help="One piece's history.")] = None,
    as_json: JsonOpt = False,
) -> None:
    """List models and instruments, or the history of one piece."""
    from fluewright.shop import history_rows, overview

    if serial is None:
        data = overview(_existing_ledger(ledger))
        if as_json:
            _print_json(data)
            return
        _table(
            "Models",
            ["name", "version", "added"],
            [[m["name"], str(m["version"]), m["added_at"]] for m in data["models"]],
        )
        _table(
            "Instruments",
            ["serial", "model", "state", "material"],
            [[i["serial"], f"{i['model']} {i['version']}", i["state"], i["material"]] for i in data["instruments"]],
        )
        return
    rows = history_rows(_existing_ledger(ledger), serial)
    if as_json:
        _print_json({"serial": serial, "events": rows})
        return
    _table(
        f"{serial}",
        ["event", "what", "when", "says"],
        [[str(r["event"]), r["what"], r["when"], r["says"]] for r in rows],
    )


@ledger_app.command("add-model")
def ledger_add_model(model: ModelArg, ledger: LedgerOpt) -> None:
    """Record a model; the same text again is the same version."""
    from fluewright.instrument.files import model_text
    from fluewright.instrument.starting import load
    from fluewright.ledger import open_ledger

    loaded = load(model)
    with open_ledger(ledger) as book:
        version = book.add_model(loaded.model.name, model_text(loaded), lineage=loaded.model.lineage or None)
    sys.stdout.write(f"{version.name} version {version.version}\n")


@ledger_app.command("begin")
def ledger_begin(
    model: Annotated[str, typer.Argument(metavar="MODEL", help="Name of a model in the ledger.")],
    ledger: LedgerOpt,
    prefix: Annotated[str, typer.Option("--prefix", help="Of the serial, for example D5.")],
    size: Annotated[list[str] | None, typer.Option("--size", help="As-built size, KEY=MM.")] = None,
    material: Annotated[str, typer.Option("--material")] = "",
    lot: Annotated[str, typer.Option("--lot")] = "",
) -> None:
    """Begin an instrument: a new serial for a model in the ledger."""
    from fluewright.shop import begin_piece

    sizes = _sizes(size or [])
    serial = begin_piece(_existing_ledger(ledger), model, prefix=prefix, sizes=sizes, material=material, lot=lot)
    sys.stdout.write(f"{serial}\n")


@ledger_app.command("cut")
def ledger_cut(
    serial: Annotated[str, typer.Argument(metavar="SERIAL")],
    key: Annotated[str, typer.Argument(metavar="SIZE", help="For example holes.3.diameter_mm.")],
    before_mm: Annotated[float, typer.Argument(metavar="BEFORE_MM")],
    after_mm: Annotated[float, typer.Argument(metavar="AFTER_MM")],
    ledger: LedgerOpt,
    tool: Annotated[str, typer.Option("--tool", help="What cut it, for example reamer.")],
    reason: Annotated[str, typer.Option("--reason", help="Why, for example `A5 flat`.")],
) -> None:
    """Record a cut that was made, with the size before and after."""
    from fluewright.shop import record_cut

    event = record_cut(
        _existing_ledger(ledger), serial, key=key, before_mm=before_mm, after_mm=after_mm, tool=tool, reason=reason
    )
    sys.stdout.write(f"event {event}\n")


@ledger_app.command("verify")
def ledger_verify(ledger: LedgerOpt) -> None:
    """Check the whole ledger; exit code 1 when something is wrong."""
    from fluewright.ledger import verify

    report = verify(_existing_ledger(ledger))
    for finding in report.findings:
        sys.stdout.write(finding + "\n")
    if not report.clean:
        raise typer.Exit(1)
    sys.stdout.write(f"{ledger}: whole\n")


@ledger_app.command("backup")
def ledger_backup(target: Annotated[Path, typer.Argument(metavar="FILE")], ledger: LedgerOpt) -> None:
    """Copy the ledger while it may be in use."""
    from fluewright.ledger import back_up

    sys.stdout.write(f"{back_up(_existing_ledger(ledger), target).path}\n")


@ledger_app.command("export")
def ledger_export(folder: Annotated[Path, typer.Argument(metavar="FOLDER")], ledger: LedgerOpt) -> None:
    """Write everything as JSON Lines and CSV."""
    from fluewright.ledger import export_ledger

    export_ledger(_existing_ledger(ledger), folder)
    sys.stdout.write(f"{folder}\n")


def main() -> None:
    """Run the command line; errors meant for people end with exit code 2 (bad input) or 1."""
    try:
        try:
            app()
        finally:
            sys.stdout.flush()
    except InputError as error:
        sys.stderr.write(f"fluewright: {error}\n")
        sys.exit(2)
    except (ComputeError, FluewrightError) as error:
        sys.stderr.write(f"fluewright: {error}\n")
        sys.exit(1)
    except BrokenPipeError:
        # The reader has gone; what is still buffered must not be tried again when the interpreter ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except KeyboardInterrupt:
        sys.stderr.write("fluewright: stopped\n")
        sys.exit(130)
