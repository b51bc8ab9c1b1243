"""The instrument when blown: breath curves, what voicing does, and a sound to hear."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fluewright.cli.arguments import JsonOpt, ModelArg, ThemeOpt, theme_of
from fluewright.cli.printing import computing, figure, finite, print_files, print_json, print_table, put, warn
from fluewright.errors import InputError
from fluewright.files import write_whole
from fluewright.units import cents_above

if TYPE_CHECKING:
    from fluewright.acoustics.breath_need import BreathNeed
    from fluewright.acoustics.sounding import Blown, NoteBreath
    from fluewright.acoustics.synthesis import Gesture
    from fluewright.acoustics.voicing import Effect, VoicingEffect

__all__ = ["blow", "hear", "voicing"]


def _blown(model: str, *, jumps: bool) -> "Blown":
    """Return a model when blown; where it cannot sound, an error says why."""
    from fluewright.acoustics.network import build_network
    from fluewright.acoustics.sounding import blow as blow_all
    from fluewright.acoustics.sounding import find_jumps
    from fluewright.instrument.starting import load

    network = build_network(load(model))
    with computing():
        blown = blow_all(network)
        blown.check_sounds()
        return find_jumps(blown) if jumps else blown


def _rows_of(blown: "Blown", names: list[str]) -> list[int]:
    """Return rows of the named notes (all registers of a name), or all."""
    if not names:
        return list(range(len(blown.notes)))
    known = [n.note for n in blown.notes]
    missing = [name for name in names if name not in known]
    if missing:
        raise InputError(f"--note {missing[0]!r}: the model has {', '.join(dict.fromkeys(known))}")
    return [i for i, n in enumerate(blown.notes) if n.note in names]


def _breath_picture(blown: "Blown", notes: "list[NoteBreath]", theme: str) -> str:
    """Return pitch against breath of these notes as SVG."""
    from fluewright.pictures.breath import BreathCurve, breath_chart

    return breath_chart(
        [
            BreathCurve(
                n.note, n.register, n.branch.pressures_pa.tolist(),
                [cents_above(f, n.target_hz) if f > 0 else math.nan for f in n.branch.frequencies_hz],
                n.lowest_pa, n.highest_pa, n.planned_pa, n.fall_back_pa,
            )
            for n in notes
        ],
        title=f"{blown.network.model.model.name}: pitch against breath",
        tolerance_cents=blown.network.model.target.tolerance_cents,
        theme=theme_of(theme),
    )  # fmt: skip


def _note_data(n: "NoteBreath") -> dict[str, Any]:
    return {
        "note": n.note,
        "register": n.register,
        "fingering": n.fingering.text,
        "target_hz": n.target_hz,
        "resonance_hz": finite(n.resonance_hz),
        "quality": finite(n.quality),
        "onset_pa": finite(n.onset_pa),
        "onset_hz": finite(n.onset_hz),
        "lowest_pa": finite(n.lowest_pa),
        "highest_pa": finite(n.highest_pa),
        "fall_back_pa": finite(n.fall_back_pa),
        "in_tune_pa": finite(n.in_tune_pa),
        "planned_pa": n.planned_pa,
        "planned_cents": finite(n.planned_cents),
        "jet_speed_over_fw": finite(n.theta),
        "flow_l_per_min": finite(n.flow_l_per_min),
        "growth_per_s": finite(n.growth_per_s),
        "pressures_pa": n.branch.pressures_pa.tolist(),
        "frequencies_hz": [finite(float(v)) for v in n.branch.frequencies_hz],
        "levels_db": [finite(float(v)) for v in n.branch.levels_db],
    }


def _blown_data(
    blown: "Blown", notes: "list[NoteBreath]", curve: "BreathNeed", octaves: tuple[tuple[str, str, float], ...]
) -> dict[str, Any]:
    return {
        "model": blown.network.model.model.name,
        "warnings": list(blown.warnings),
        "notes": [_note_data(n) for n in notes],
        "breath": {
            "exponent": finite(curve.exponent),
            "unevenness": finite(curve.unevenness),
            "at_risk": list(curve.at_risk),
            "hard_to_reach": list(curve.hard_to_reach),
        },
        "octaves": [{"low": low, "high": high, "cents": finite(width)} for low, high, width in octaves],
    }


def _print_blown(
    name: str, notes: "list[NoteBreath]", curve: "BreathNeed", octaves: tuple[tuple[str, str, float], ...]
) -> None:
    print_table(
        f"{name}: blown (breath in Pa; cents at the planned breath)",
        ["note", "register", "starts", "holds from", "jumps at", "falls back", "in tune", "planned", "cents", "l/min",
         "dB at 1 m"],
        [
            [
                n.note, str(n.register), figure(n.onset_pa), figure(n.lowest_pa), figure(n.highest_pa),
                figure(n.fall_back_pa), figure(n.in_tune_pa), figure(n.planned_pa),
                f"{n.planned_cents:+.1f}" if math.isfinite(n.planned_cents) else "silent",
                figure(n.flow_l_per_min, 1), figure(n.level_db_at(n.planned_pa)),
            ]
            for n in notes
        ],
    )  # fmt: skip
    put(
        f"breath that plays in tune: p = {figure(curve.lowest_pa)} Pa (f/f_lowest)^{figure(curve.exponent, 2)}, notes "
        f"within {figure(100 * curve.unevenness)} % of it\n"
    )
    widths = [f"{low}-{high} {figure(width, 1)}" for low, high, width in octaves]
    if widths:
        put(f"octaves at the planned breath, cents wide (+) or narrow (-): {', '.join(widths)}\n")
    for label, found in (("at risk of breaking up", curve.at_risk), ("hard to reach", curve.hard_to_reach)):
        if found:
            put(f"{label}: {', '.join(found)}\n")
    put("a model of jet and air column alone: a player holds a register further; trust differences most\n")


def blow(
    model: ModelArg,
    note: Annotated[list[str] | None, typer.Option("--note", help="Only this note; may be given again.")] = None,
    plot: Annotated[Path | None, typer.Option("--plot", help="Write pitch against breath as SVG.")] = None,
    theme: ThemeOpt = "light",
    no_jumps: Annotated[bool, typer.Option("--no-jumps", help="Leave out where registers jump (faster).")] = False,
    as_json: JsonOpt = False,
) -> None:
    """Say what breath every note needs, how its pitch follows breath, and where it jumps and falls back."""
    from fluewright.acoustics.breath_need import breath_curve, octave_widths

    theme_of(theme)
    blown = _blown(model, jumps=not no_jumps)
    notes = [blown.notes[i] for i in _rows_of(blown, note or [])]
    warn(blown.warnings)
    curve, octaves = breath_curve(blown), octave_widths(blown)
    if plot is not None:
        write_whole(plot, _breath_picture(blown, notes, theme))
    if as_json:
        print_json(_blown_data(blown, notes, curve, octaves))
        return
    _print_blown(blown.network.model.model.name, notes, curve, octaves)
    print_files(plot)


def _row(blown: "Blown", name: str, register: int | None) -> int:
    """Return the row of a note that sounds, in the register wanted."""
    found = [i for i in _rows_of(blown, [name]) if register is None or blown.notes[i].register == register]
    if not found:
        raise InputError(f"{name} has no register {register} in this model")
    if not math.isfinite(blown.notes[found[0]].onset_pa):
        raise InputError(blown.notes[found[0]].warnings[0])
    return found[0]


def _swell(blown: "Blown", at: int, low: float | None, high: float | None, seconds: float | None) -> "Gesture":
    """Return a slow rise and fall of breath on one note, over its register where no breath is given."""
    from fluewright.acoustics.synthesis import swell_gesture

    one = blown.notes[at]
    top = one.highest_pa if math.isfinite(one.highest_pa) else 3.0 * one.onset_pa
    return swell_gesture(at, low or 0.9 * one.onset_pa, high or 1.6 * top, seconds=seconds or 12.0)


def _octave(blown: "Blown", name: str, slurred: bool, seconds: float | None) -> "Gesture":
    """Return a note and its octave."""
    from fluewright.acoustics.synthesis import octave_gesture

    below = _row(blown, name, 1)
    above = [
        i for i, n in enumerate(blown.notes)
        if n.register == 2 and abs(cents_above(n.target_hz, blown.notes[below].target_hz) - 1200.0) < 60.0
    ]  # fmt: skip
    if not above:
        raise InputError(f"--octave {name}: the model has no octave of {name} in register 2")
    return octave_gesture(blown, below, above[0], tongued=not slurred, seconds=seconds or 1.0)


def _scale(blown: "Blown", slurred: bool, seconds: float | None) -> "Gesture":
    """Return all notes that sound in the order of their pitch."""
    from fluewright.acoustics.synthesis import scale_gesture

    playable = [i for i, n in enumerate(blown.notes) if math.isfinite(n.onset_pa)]
    # One row a name: the first of several fingerings is the usual one.
    names = dict((blown.notes[i].note, i) for i in reversed(playable))
    order = sorted(names.values(), key=lambda i: blown.notes[i].target_hz)
    return scale_gesture(blown, order, seconds=seconds or 0.6, slurred=slurred)


def _check_wishes(output: Path, seconds: float | None, **wishes: object) -> None:
    """Refuse what cannot be heard: several wishes at once, no sound file, an impossible time."""
    chosen = [f"--{name}" for name, value in wishes.items() if value]
    if len(chosen) > 1:
        raise InputError(f"{' and '.join(chosen)} are given together; choose one of them")
    if output.suffix.lower() not in (".wav", ".flac"):
        raise InputError(f"--output {output}: a sound file ends in .wav or .flac")
    if seconds is not None and not 0.1 <= seconds <= 120.0:
        raise InputError(f"--seconds is {seconds:g}; it can be 0.1 to 120")


def hear(
    model: ModelArg,
    output: Annotated[Path, typer.Option("--output", "-o", help="Sound file to write, .wav or .flac.")],
    note: Annotated[str | None, typer.Option("--note", help="One note, tongued.")] = None,
    register: Annotated[int | None, typer.Option("--register", help="Which register, where a name has two.")] = None,
    breath: Annotated[float | None, typer.Option("--breath", help="Blowing pressure for --note, Pa.")] = None,
    scale: Annotated[bool, typer.Option("--scale", help="All notes in order (the default).")] = False,
    slurred: Annotated[bool, typer.Option("--slurred", help="The scale, or the octave, on one breath.")] = False,
    swell: Annotated[str | None, typer.Option("--swell", help="Slow rise and fall of breath on this note.")] = None,
    low: Annotated[float | None, typer.Option("--from", help="Least breath of the swell, Pa.")] = None,
    high: Annotated[float | None, typer.Option("--to", help="Most breath of the swell, Pa.")] = None,
    octave: Annotated[str | None, typer.Option("--octave", help="This note, then its octave.")] = None,
    seconds: Annotated[float | None, typer.Option("--seconds", help="Length of a note, or of the swell.")] = None,
    quiet: Annotated[bool, typer.Option("--no-noise", help="Without the jet's turbulence.")] = False,
    seed: Annotated[int, typer.Option("--seed", help="Of the turbulence.")] = 0,
) -> None:
    """Let the model be heard before any material is cut: a note, the scale, a swell, an octave."""
    from fluewright.acoustics.synthesis import note_gesture, sound_of
    from fluewright.listening import write_recording

    _check_wishes(output, seconds, note=note, scale=scale, swell=swell, octave=octave)
    blown = _blown(model, jumps=True)
    if note is not None:
        gesture = note_gesture(blown, _row(blown, note, register), seconds=seconds or 1.5, pressure_pa=breath)
    elif swell is not None:
        gesture = _swell(blown, _row(blown, swell, register or 1), low, high, seconds)
    elif octave is not None:
        gesture = _octave(blown, octave, slurred, seconds)
    else:
        gesture = _scale(blown, slurred, seconds)
    sound = sound_of(blown, gesture, noise=not quiet, seed=seed)
    write_recording(output, sound.samples(), sound.rate_hz)
    put(f"{output}: {gesture.seconds:.1f} s, {sound.level_db:.0f} dB at 1 m in the open\n")


_SHORT = {
    "pitch-low": "r1 cents", "pitch-high": "r2 cents", "octave": "octave", "onset-low": "r1 starts %",
    "onset-high": "r2 starts %", "jump": "jumps %", "fall-back": "falls %", "attack": "attack %", "air": "air %",
    "level": "loud dB", "hiss": "hiss dB",
}  # fmt: skip


def _adjustment_data(v: "VoicingEffect") -> dict[str, Any]:
    return {
        "key": v.adjustment.key,
        "title": v.adjustment.title,
        "steps": dict(v.adjustment.steps),
        "reversible": v.adjustment.reversible,
        "undo": v.adjustment.undo,
        "caution": v.adjustment.caution,
        "reason": v.reason,
        "effects": [
            {"quantity": e.quantity, "value": e.value, "uncertainty": e.uncertainty, "evidence": e.evidence}
            for e in v.effects
        ],
    }


def _cell(effect: "Effect | None") -> str:
    """Return an effect as it stands in the table."""
    if effect is None:
        return "-"
    if effect.evidence == "practice":
        return {1.0: "more*", -1.0: "less*", 0.0: "same*"}[effect.value]
    digits = 1 if abs(effect.value) < 9.95 else 0
    return f"{effect.value:+.{digits}f}±{effect.uncertainty:.{digits}f}"


def _print_voicing(name: str, found: "tuple[VoicingEffect, ...]") -> None:
    print_table(
        f"{name}: what one usual step does",
        ["adjustment", *_SHORT.values()],
        [[v.adjustment.key, *([v.reason] if v.reason else [_cell(v.of(key)) for key in _SHORT])] for v in found],
    )
    put("after ± one sigma; * trade habit, direction only; the rest is modelled. Pitch at the planned breath.\n")
    for v in found:
        undo = f"undone: {v.adjustment.undo}" if v.adjustment.undo else "CANNOT BE UNDONE"
        caution = f"; {v.adjustment.caution}" if v.adjustment.caution else ""
        put(f"{v.adjustment.key}: {v.adjustment.title}. {undo}{caution}\n")


def voicing(
    model: ModelArg,
    as_json: JsonOpt = False,
) -> None:
    """Say what one usual step of every adjustment of the head does, with its uncertainty and what that rests on."""
    from fluewright.acoustics.voicing import QUANTITIES, voicing_effects
    from fluewright.instrument.starting import load

    loaded = load(model)
    with computing():
        found = voicing_effects(loaded)
    if not as_json:
        _print_voicing(loaded.model.name, found)
        return
    print_json(
        {
            "model": loaded.model.name,
            "quantities": {key: {"name": name, "unit": unit} for key, (name, unit) in QUANTITIES.items()},
            "adjustments": [_adjustment_data(v) for v in found],
        }
    )
