"""Sound files that are odd or broken: each is heard, or refused with one message that names it."""

import math
import struct
import tempfile
from pathlib import Path
from typing import Any, Final

import numpy as np

from attack.command import complaint, run_command
from attack.registry import Effort, Finding, part
from attack.workers import attack_with

__all__ = ["odd_sound", "sounds"]

_WHOLE: Final = 2000
_RATES: Final = (
    8000,
    11_025,
    22_050,
    44_100,
    44_100,
    44_100,
    48_000,
    96_000,
    192_000,
    655_350,
    768_000,
    7999,
    1,
    2_000_000,
)
# What a file may hold, by suffix; the suffix says nothing to the reader, and so may lie.
_KINDS: Final = (
    ("wav", "WAV", "PCM_16"), ("wav", "WAV", "PCM_24"), ("wav", "WAV", "FLOAT"), ("wav", "WAV", "FLOAT"),
    ("wav", "WAV", "DOUBLE"), ("wav", "WAV", "PCM_U8"), ("wav", "WAV", "PCM_32"), ("wav", "WAV", "ULAW"),
    ("flac", "FLAC", "PCM_16"), ("ogg", "OGG", "VORBIS"), ("mp3", "MP3", "MPEG_LAYER_III"), ("aiff", "AIFF", "PCM_16"),
    ("wav", "FLAC", "PCM_24"), ("caf", "CAF", "FLOAT"), ("au", "AU", "FLOAT"), ("w64", "W64", "PCM_16"),
)  # fmt: skip
_LENGTHS: Final = (0, 1, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF, 1 << 24)


def _burst(rng: np.random.Generator, rate_hz: int, count: int) -> Any:
    """Return a burst of a tone, a sweep, a knock, noise or a constant, begun and ended hard or softly."""
    t = np.arange(count) / rate_hz
    pitch_hz = 10.0 ** rng.uniform(1.5, 4.2)
    kind = rng.integers(8)
    if kind <= 2:
        sound = sum(rng.uniform(0, 1) ** k * np.sin(2 * np.pi * k * pitch_hz * t) for k in range(1, 5))
    elif kind == 3:
        to_hz = 10.0 ** rng.uniform(1.5, 4.2)
        sound = np.sin(2 * np.pi * np.cumsum(np.linspace(pitch_hz, to_hz, count)) / rate_hz)
    elif kind == 4:
        sound = np.sign(np.sin(2 * np.pi * pitch_hz * t))
    elif kind == 5:
        sound = rng.standard_normal(count)
    elif kind == 6:
        sound = np.zeros(count)
        sound[:: max(1, round(rate_hz / pitch_hz))] = 1.0
    else:
        sound = np.full(count, rng.uniform(-1, 1))
    if rng.random() < 0.3:
        sound = sound * (1.0 + rng.uniform(0, 1) * np.sin(2 * np.pi * 10.0 ** rng.uniform(0, 2) * t))
    if rng.random() < 0.3:
        sound = sound * np.linspace(rng.integers(2), rng.integers(2), count)
    return sound * 10.0 ** rng.uniform(-5, 0)


def odd_sound(rng: np.random.Generator) -> tuple[Any, int]:
    """Return samples, shape (n,) or (n, channels), and their rate."""
    rate_hz = int(rng.choice(_RATES))
    seconds = rng.choice((0.0, 0.03, 0.05, 0.1, 0.3, 0.6, 1.5), p=(0.02, 0.03, 0.1, 0.2, 0.3, 0.25, 0.1))
    count = int(rng.integers(0, 3)) if seconds == 0.0 else round(seconds * rng.uniform(1, 1.5) * rate_hz)
    count = min(count, 500_000)
    sound = rng.choice((0.0, 0.0, 1e-5, 1e-3, 0.05)) * rng.standard_normal(count)
    place = 0
    for _ in range(rng.integers(0, 6)):
        length = min(count, max(1, round(10.0 ** rng.uniform(-3.5, 0.0) * rate_hz)))
        # At the very beginning, at the very end, beyond either, or right behind the one before.
        place = int(
            rng.choice((0, count - length, -length // 2, count - length // 2, place, rng.integers(0, count + 1)))
        )
        first, last = max(place, 0), min(place + length, count)
        if first < last:
            sound[first:last] += _burst(rng, rate_hz, length)[first - place : last - place]
        place += length
    trick = rng.integers(12)
    if count and trick == 0:
        sound[rng.integers(0, count)] = rng.choice((np.nan, np.inf, -np.inf, 1e30, 1e300))
    elif trick == 1:
        sound = sound * 10.0 ** rng.uniform(-300, 300)
    elif trick == 2:
        sound = sound * 10.0 ** rng.uniform(-40, 3)
    elif trick == 3:
        sound = np.clip(sound * 100.0, -1, 1)
    elif trick == 4:
        first, last = sorted(rng.integers(0, count + 1, 2))
        sound[first:last] = rng.choice((0.0, 0.5, 1.0))
    elif trick == 5:
        sound = np.round(sound * 8) / 8
    elif trick == 6:
        sound = sound + rng.choice((0.3, 1.0, -1.0))
    if rng.random() < 0.25:
        others = (sound, -sound, np.zeros(count), rng.permutation(sound), sound * 1e-6)
        sound = np.stack([sound, *(others[rng.integers(len(others))] for _ in range(rng.choice((1, 1, 2, 7))))], axis=1)
    return sound, rate_hz


def _damaged(rng: np.random.Generator, raw: bytes) -> bytes:
    out = bytearray(raw)
    kind = rng.integers(5)
    if not out or kind == 0:
        return bytes(out[: rng.integers(0, len(out) + 1)])
    if kind == 1:
        for place in rng.integers(0, min(len(out), int(rng.choice((60, 200, 1 << 30)))), rng.integers(1, 20)):
            out[place] ^= 1 << int(rng.integers(8))
        return bytes(out)
    if kind == 2 and len(out) > 8:
        place = int(rng.integers(4, max(5, min(200, len(out) - 4))))
        out[place : place + 4] = struct.pack("<I", int(rng.choice(_LENGTHS)))
        return bytes(out)
    first, last = sorted(int(v) for v in rng.integers(0, len(out) + 1, 2))
    if kind == 3:
        return bytes(out[:first] + out[last:])
    return bytes(out[:first]) + rng.bytes(last - first) + bytes(out[last:])


def _write(seed: tuple[int, int], folder: Path) -> tuple[str, Path]:
    """Write the file of a seed and return what it is; the file depends on the seed alone."""
    import soundfile

    rng = np.random.default_rng(seed)
    suffix, kind, subtype = _KINDS[rng.integers(len(_KINDS))]
    sound, rate_hz = odd_sound(rng)
    path = folder / f"take.{suffix}"
    said = f"{kind} {subtype} {rate_hz} Hz {sound.shape}"
    try:
        if subtype not in ("FLOAT", "DOUBLE"):
            sound = np.clip(np.nan_to_num(sound), -1, 1)
        if kind in ("OGG", "MP3"):
            # The library that writes these ends the process at what it cannot encode; it is the reader that is tried.
            rate_hz = 44_100
            sound = sound.reshape(len(sound), -1)[:, :2] if len(sound) > 1000 else np.zeros((1000, 1))
        with np.errstate(over="ignore"):
            soundfile.write(path, sound, rate_hz, format=kind, subtype=subtype)
    except (soundfile.LibsndfileError, ValueError):  # such a file cannot be
        soundfile.write(path, sound, rate_hz, format="WAV", subtype="DOUBLE")
        said = f"WAV DOUBLE {rate_hz} Hz {sound.shape}"
    if rng.random() < 0.3:
        path.write_bytes(_damaged(rng, path.read_bytes()))
        said += " damaged"
    return said, path


def _finite(name: str, value: Any, *, may_be_unknown: bool = True) -> None:
    numbers = np.asarray(value, dtype=float)
    if np.isinf(numbers).any() or (not may_be_unknown and np.isnan(numbers).any()):
        raise AssertionError(f"{name} is {value}")


def _heard(path: Path) -> str:
    """Hear a file in every way that there is; return ``refused`` or ``heard``."""
    from fluewright.errors import RecordingError
    from fluewright.listening import Analysis, read_recording
    from fluewright.listening.calibration import calibrate
    from fluewright.listening.streams import Listener, hear_file
    from fluewright.listening.takes import BreathBeside, Wanted, hear_take

    ways = (
        hear_file,
        lambda p: hear_take(p, Wanted(tone=True, pictures=True)).analysis.spectrogram,
        lambda p: hear_take(p, Wanted(swell=True, breath=BreathBeside(readings=("0=100", "0.1=300", "1=50")))),
        lambda p: hear_take(p, Wanted(tone=True, calibration=p)),
        lambda p: calibrate(read_recording(p)),
    )
    refused = 0
    for way in ways:
        try:
            way(path)
        except RecordingError as error:
            refused += 1
            if "\n" in str(error):
                raise AssertionError(f"a message of several lines: {error}") from None
    try:
        recording = read_recording(path)
        analysis = Analysis(recording)
    except RecordingError:
        return "refused"
    _finite("samples", recording.samples, may_be_unknown=False)
    for note in analysis.hearing.notes:
        _finite("a note", (note.onset_s, note.offset_s, note.frequency_hz, note.level_db), may_be_unknown=False)
        if not (0.0 <= note.onset_s < note.offset_s and 0.0 < note.frequency_hz < 2e4):
            raise AssertionError(f"an impossible note: {note}")
    listener = Listener(recording.rate_hz)
    for first in range(0, len(recording), 4096):
        listener.push(recording.samples[first : first + 4096])
    listener.finish()
    return "refused" if refused == len(ways) else "heard"


def _tried(seed: tuple[int, int] | None) -> str:
    with tempfile.TemporaryDirectory() as folder:
        if seed is None:
            t = np.arange(44_100) / 44_100
            import soundfile

            path = Path(folder) / "take.wav"
            soundfile.write(path, 0.2 * np.sin(2 * np.pi * 587.33 * t), 44_100)
            said = "a good tone"
        else:
            said, path = _write(seed, Path(folder))
        try:
            answer = _heard(path)
            if seed is None or seed[1] % 4 == 0:
                plots = Path(folder) / "plots"
                for more in (("--json", "--tone"), ("--swell", "--tone", "--csv", f"{path}.csv", "--plot", str(plots))):
                    wrong = complaint(run_command("listen", str(path), *more))
                    if wrong:
                        raise AssertionError(f"listen {' '.join(more)}: {wrong}")
        except Exception as error:
            error.args = (f"{said}: {error}",)
            raise
    return answer


@part("sounds", quick=0.02)
def sounds(effort: Effort) -> list[Finding]:
    """Write odd and broken sound files and hear each in every way."""
    count = effort.of(_WHOLE)
    findings, answers = attack_with(_tried, [(effort.seed, n) for n in range(count)], what="sound files", warm=None)
    spread = min(answers["refused"], answers["heard"]) < math.floor(count / 20)
    note = f"{answers['refused']} refused, {answers['heard']} heard"
    return [*findings, Finding("sound files: refused and heard ones", count, int(spread), note)]
