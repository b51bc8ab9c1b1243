"""What a sample of 1.0 means in pascals: read from a tone of known level, as a sound calibrator gives it."""

import math
from dataclasses import dataclass

import numpy as np

from fluewright.arrays import ComplexArray, FloatArray
from fluewright.errors import RecordingError
from fluewright.listening.curves import top_between
from fluewright.listening.partials import demodulate
from fluewright.listening.phases import stray_hz
from fluewright.listening.recordings import Recording
from fluewright.listening.windows import hann
from fluewright.units import CENTS_PER_RELATIVE

__all__ = ["Calibration", "calibrate"]


_PA_0 = 20e-6
_SHORTEST_S = 1.0
_BLOCK_S = 0.100
_LONGEST_S = 30.0
_LINE_S = 4.0
_NEAR = 0.05
_STEADY_DB = 0.3
_STEADY_CENTS = 5.0
_REST_DB = -20.0
_SILENT = 1e-12


@dataclass(frozen=True)
class Calibration:
    """What a sample of 1.0 means in pascals, read from a tone of known level.

    Parameters
    ----------
    pascals_per_unit : float
        Sound pressure of a sample of full scale.
    level_db : float
        Level that the tone was said to have, dB re 20 uPa.
    frequency_hz : float
        Its frequency as heard, relative to the recorder's clock.
    uncertainty_db : float
        Standard uncertainty of the reading; that of the calibrator's own level is not in it.
    rest_db : float
        Power of all else in the stretch (noise, distortion) against the tone.
    sha256 : str
        Hash of the file that the tone was read from.
    """

    pascals_per_unit: float
    level_db: float
    frequency_hz: float
    uncertainty_db: float
    rest_db: float
    sha256: str

    @property
    def full_scale_db(self) -> float:
        """Return the level of a sine that just reaches full scale, dB re 20 uPa."""
        return 20.0 * math.log10(self.pascals_per_unit / (math.sqrt(2.0) * _PA_0))


def calibrate(
    recording: Recording,
    *,
    start_s: float = 0.0,
    end_s: float | None = None,
    level_db: float = 94.0,
    frequency_hz: float = 1000.0,
) -> Calibration:
    """Read from a tone of known level what the samples mean in pascals.

    Only the tone itself counts, not what sounds beside it. It must be at least 20 dB above all else, hold its level
    within 0.3 dB and its pitch within 5 cents over blocks of 0.1 s, and must not be clipped.

    Parameters
    ----------
    recording : Recording
        Made with the calibrator on the microphone and the gain that is used afterwards.
    start_s, end_s : float
        The stretch with the tone, at least 1 s; all of the recording by default.
    level_db : float
        Level of the tone, 40 to 160 dB re 20 uPa.
    frequency_hz : float
        Its nominal frequency, 100 Hz to 8 kHz; the one heard may differ by 5 %.

    Raises
    ------
    RecordingError
        The stretch is too short, clipped, silent, or no steady tone near that frequency.
    """
    end_s = recording.duration_s if end_s is None else end_s
    _refuse_wishes(recording, start_s, end_s, level_db, frequency_hz)
    place, rate_hz = f"calibration, {start_s:.2f} s to {end_s:.2f} s", recording.rate_hz
    first = round(start_s * rate_hz)
    last = min(round(end_s * rate_hz), first + round(_LONGEST_S * rate_hz))
    sound = recording.samples[first:last] - float(np.mean(recording.samples[first:last]))
    power = float(np.mean(np.square(sound)))
    if power < _SILENT:
        raise RecordingError(f"{place}: silent. Check the microphone and its gain, and record the tone again.")
    _refuse_clipped(recording.samples[first:last], place)
    line_hz = _line_near(sound, rate_hz, frequency_hz, place)

    length = round(_BLOCK_S * rate_hz)
    starts = np.arange(0, len(sound) - length + 1, length // 2)
    z = demodulate(sound, rate_hz, starts, hann(length), np.full(len(starts), line_hz), count=1)
    strays_hz = stray_hz(z, line_hz, (length // 2) / rate_hz, 1)
    tone = float(np.mean(np.square(np.abs(z)))) / 2.0
    rest_db = 10.0 * math.log10(max(power / tone - 1.0, 1e-9)) if tone < power else -90.0
    levels = _levels_db(z)
    _refuse_unsteady(levels, strays_hz, line_hz, rest_db, place)
    pascals = _PA_0 * 10.0 ** (level_db / 20.0)
    return Calibration(
        pascals_per_unit=pascals / math.sqrt(tone),
        level_db=level_db,
        frequency_hz=line_hz + float(np.mean(strays_hz)),
        # Half-overlapping blocks: their mean is known as if a quarter of them were missing.
        uncertainty_db=float(np.std(levels)) / math.sqrt(max(0.75 * len(levels), 1.0)),
        rest_db=rest_db,
        sha256=recording.sha256,
    )


def _levels_db(z: ComplexArray) -> FloatArray:
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(z[:, 0]), 1e-9)), dtype=np.float64)


def _refuse_wishes(recording: Recording, start_s: float, end_s: float, level_db: float, frequency_hz: float) -> None:
    if not 40.0 <= level_db <= 160.0:
        raise RecordingError(f"level_db is {level_db:g}; a calibrator gives 40 to 160 dB, usually 94 or 114.")
    highest_hz = min(8000.0, 0.4 * recording.rate_hz)
    if not 100.0 <= frequency_hz <= highest_hz:
        raise RecordingError(f"frequency_hz is {frequency_hz:g}; give 100 to {highest_hz:g} Hz, usually 1000 or 250.")
    if not 0.0 <= start_s < end_s <= recording.duration_s + 1e-9:
        raise RecordingError(
            f"calibration: {start_s:g} s to {end_s:g} s is no stretch of a recording of {recording.duration_s:.3f} s."
        )
    if end_s - start_s < _SHORTEST_S - 1e-9:
        raise RecordingError(
            f"calibration, {start_s:.2f} s to {end_s:.2f} s: {end_s - start_s:.2f} s are too short; hold the tone for"
            f" {_SHORTEST_S:g} s or more."
        )


def _refuse_unsteady(levels_db: FloatArray, strays_hz: FloatArray, line_hz: float, rest_db: float, place: str) -> None:
    """Refuse a tone that wanders, is not alone, or changes its level."""
    moved = CENTS_PER_RELATIVE * float(np.max(np.abs(strays_hz - np.mean(strays_hz)))) / line_hz
    # A line that wanders loses level as well: name the cause first.
    if moved > _STEADY_CENTS and rest_db < -3.0:
        raise RecordingError(
            f"{place}: the tone is not steady, its pitch moves by {moved:.0f} cents;"
            f" {_STEADY_CENTS:g} cents are allowed. Use a calibrator, not an instrument."
        )
    if rest_db > _REST_DB:
        raise RecordingError(
            f"{place}: noise and other tones are only {-rest_db:.0f} dB under the tone at {line_hz:.0f} Hz;"
            f" {-_REST_DB:.0f} dB are needed. Seat the calibrator well and record in a quiet room."
        )
    spread = float(levels_db.max() - levels_db.min())
    if spread > _STEADY_DB:
        raise RecordingError(
            f"{place}: the tone is not steady, its level moves by {spread:.1f} dB; {_STEADY_DB:g} dB are"
            " allowed. Choose the stretch where the calibrator sits still."
        )


def _refuse_clipped(samples: FloatArray, place: str) -> None:
    """Refuse full scale, and tops that are flatter than those of a sine."""
    top = float(np.max(np.abs(samples)))
    centred = np.abs(samples - 0.5 * (samples.max() + samples.min()))
    # A sine spends 2.8 % of its time within a thousandth of its peak.
    flat = float(np.mean(centred > 0.999 * centred.max()))
    at_top = np.abs(samples) >= 0.9995
    run = bool((at_top[2:] & at_top[1:-1] & at_top[:-2]).any())
    if run or (flat > 0.08 and top > 0.02):
        share = 100.0 * (flat if flat > 0.08 else float(np.mean(at_top)))
        raise RecordingError(
            f"{place}: clipped, {share:.1f} % of the samples stand in flat tops at {top:.3g} of full scale."
            " Turn the gain down and record the tone again."
        )


def _line_near(sound: FloatArray, rate_hz: float, frequency_hz: float, place: str) -> float:
    """Return the frequency of the strongest line, which must lie near the nominal one."""
    from scipy.fft import next_fast_len, rfft

    count = min(len(sound), round(_LINE_S * rate_hz))
    transform = int(next_fast_len(2 * count, real=True))
    size = np.abs(rfft(sound[:count] * hann(count), n=transform))
    bin_hz = rate_hz / transform
    size[: max(1, round(20.0 / bin_hz))] = 0.0
    top = int(np.argmax(size[:-1]))
    logs = np.log(size[top - 1 : top + 2] + 1e-300)
    line_hz = (top + float(top_between(logs[:1], logs[1:2], logs[2:])[0])) * bin_hz
    if abs(line_hz - frequency_hz) > _NEAR * frequency_hz:
        raise RecordingError(
            f"{place}: the strongest line is at {line_hz:.0f} Hz, not within {100 * _NEAR:.0f} % of"
            f" {frequency_hz:g} Hz. Name the calibrator's frequency, or the stretch where its tone sounds."
        )
    return line_hz
