"""How a note begins: how fast its harmonics rise, which of them speaks first, how its pitch glides and settles.

The start is followed every 2 ms in windows of about three periods, which keep neighbouring harmonics apart.

| symbol | meaning |
|---|---|
| z | complex amplitude of a partial in one window, relative to full scale |
| full amplitude | root of the summed squares of the partials, its median over 0.1 to 0.6 s after the onset |
"""

import math
from dataclasses import dataclass

import numpy as np

from fluewright.arrays import BoolArray, FloatArray
from fluewright.listening.curves import crossing
from fluewright.listening.framing import centres_s
from fluewright.listening.medians import column_medians, median
from fluewright.listening.notes import HeardNote
from fluewright.listening.partials import demodulate
from fluewright.listening.phases import stray_cents, stray_hz
from fluewright.listening.sound import Sound
from fluewright.listening.vibrato import Vibrato
from fluewright.listening.windows import hann, noise_gain

__all__ = ["NoteStart", "first_order", "measure_start"]


_HOP_S = 0.002
_WINDOW_S = 0.005
_PERIODS = 3.0
_BEFORE_S = 0.080
_AFTER_S = 0.600
_ORDERS = 6
_PITCH_ORDERS = 4
_FULL_S = (0.100, 0.600)
# A Hann window turns a step into a rise of this part of its length, 10 % to 90 %.
_HANN_RISE = 0.4779
_STABLE_S = 0.010
_STABLE_CENTS = 60.0
_SETTLED_CENTS = 10.0
_SETTLED_S = 0.030
_FIRST_LEAST_S = 0.010


@dataclass(frozen=True, eq=False)
class NoteStart:
    """The partials through the start of a note, and what they tell.

    Parameters
    ----------
    times_s : float array, shape (m,)
        Centres of the windows.
    sizes : float array, shape (m, orders)
        Amplitude of each partial, noise taken off.
    noise : float array, shape (m,)
        Power of noise in a window.
    amplitude : float array, shape (m,)
        Of all partials together.
    full : float
        Full amplitude.
    full_sizes : float array, shape (orders,)
        The same of each partial.
    window_s : float
    rise_s, glide_cents, settle_s : float
        See `NoteTone`.
    """

    times_s: FloatArray
    sizes: FloatArray
    noise: FloatArray
    amplitude: FloatArray
    full: float
    full_sizes: FloatArray
    window_s: float
    rise_s: float
    glide_cents: float
    settle_s: float


def measure_start(
    sound: Sound,
    note: HeardNote,
    *,
    noise_times_s: FloatArray,
    noise_density: FloatArray,
    lead: int,
    vibrato: Vibrato | None,
    before_s: float,
    slurred: bool,
) -> NoteStart:
    """Follow the partials through the start of a note.

    Parameters
    ----------
    sound : Sound
        At a rate from `thin_out`.
    note : HeardNote
    noise_times_s, noise_density : float array, shape (b,)
        Noise among the low partials through the start, full scale squared per Hz.
    lead : int
        Order of the partial that pitch is read from.
    vibrato : Vibrato or None
        Of the steady part.
    before_s : float
        When the note before ended; minus infinity before the first.
    slurred : bool
        Whether it follows that note without a break.
    """
    pitch_hz, rate_hz = note.frequency_hz, sound.rate_hz
    length = round(max(_WINDOW_S, _PERIODS / pitch_hz) * rate_hz) // 2 * 2
    window, window_s = hann(length), length / rate_hz
    begin, end = _reach(note, window_s, before_s, slurred=slurred)
    count = max(1, min(_ORDERS, int(0.45 * rate_hz / pitch_hz)))
    starts = np.rint(np.arange(begin, end, _HOP_S) * rate_hz).astype(np.int64) - length // 2
    times = centres_s(starts, length, rate_hz)
    z = demodulate(sound.samples, rate_hz, starts, window, np.full(len(starts), pitch_hz), count=count)
    noise = np.interp(times, noise_times_s, noise_density) * noise_gain(window, rate_hz)
    power = np.asarray(np.square(np.abs(z)), dtype=np.float64)
    sizes = np.sqrt(np.maximum(power - noise[:, None], 0.0))
    amplitude = np.asarray(np.sqrt(np.maximum(power.sum(axis=1) - count * noise, 0.0)), dtype=np.float64)
    plateau, full, onset, rise = _full_and_rise(times, amplitude, note.onset_s, window_s)
    full_sizes = column_medians(sizes[plateau])
    lead = min(lead, count)
    # Under a tenth of its size the leading partial may be drowned in what the others leak into its window.
    clear = (sizes[:, lead - 1] > 0.1 * full_sizes[lead - 1]) & (power[:, lead - 1] > 10.0 * noise)
    hop_s = float(times[-1] - times[0]) / (len(times) - 1)
    pitched = z[:, : max(lead, min(_PITCH_ORDERS, count))]
    cents = stray_cents(stray_hz(pitched, pitch_hz, hop_s, lead), pitch_hz)
    begins_s = note.onset_s if slurred else onset
    glide, settle = _glide(cents, times, hop_s, clear, begins_s, window_s, vibrato)
    return NoteStart(times, sizes, noise, amplitude, full, full_sizes, window_s, rise, glide, settle)


def _reach(note: HeardNote, window_s: float, before_s: float, *, slurred: bool) -> tuple[float, float]:
    """Return from when to when windows are centred; the tail of the note before is kept out."""
    begin = note.onset_s
    if not slurred:
        begin = max(note.onset_s - _BEFORE_S, min(before_s + 0.5 * window_s, note.onset_s))
    return begin, max(min(note.offset_s - 0.5 * window_s, note.onset_s + _AFTER_S), note.onset_s + 0.02)


def _full_and_rise(
    times: FloatArray, amplitude: FloatArray, onset_s: float, window_s: float
) -> tuple[BoolArray, float, float, float]:
    """Return the windows in which the note is full, its full amplitude, when it passes 10 % of it, and its rise."""
    plateau = (times >= onset_s + _FULL_S[0]) & (times <= onset_s + _FULL_S[1])
    if plateau.sum() < 10:
        plateau = times >= times[0] + 0.5 * (times[-1] - times[0])
    full = max(median(amplitude[plateau]), 1e-9)
    onset, rise = _rise(times, amplitude, full, window_s)
    if rise > _FULL_S[0]:
        # A slow swell is not full yet at the beginning of the plateau.
        later = times >= onset + 1.5 * rise
        if later.sum() >= 10:
            plateau = later
            full = max(median(amplitude[plateau]), 1e-9)
            onset, rise = _rise(times, amplitude, full, window_s)
    return plateau, full, onset, rise


def _rise(times: FloatArray, amplitude: FloatArray, full: float, window_s: float) -> tuple[float, float]:
    """Return when 10 % of the full amplitude is passed, and how long it takes from there to 90 %."""
    high = np.flatnonzero(amplitude >= 0.9 * full)
    if len(high) == 0:
        return float(times[0]), math.nan
    top = int(high[0])
    low = np.flatnonzero(amplitude[: top + 1] < 0.1 * full)
    if len(low) == 0:
        return float(times[0]), math.nan
    bottom = int(low[-1])
    if bottom == top:
        return float(times[top]), math.nan
    at_10 = crossing(times, amplitude, bottom, 0.1 * full)
    at_90 = crossing(times, amplitude, top - 1, 0.9 * full)
    # The window's own rise adds in squares.
    seen = at_90 - at_10
    return at_10, math.sqrt(max(seen**2 - (_HANN_RISE * window_s) ** 2, 0.0))


def _glide(
    cents: FloatArray,
    times: FloatArray,
    hop_s: float,
    clear: BoolArray,
    onset: float,
    window_s: float,
    vibrato: Vibrato | None,
) -> tuple[float, float]:
    """Return the pitch at the start against the steady one in cents, and when it has come within 10 cents.

    `cents` is the pitch between successive windows, `clear` where the windows show the leading partial.
    """
    between = 0.5 * (times[1:] + times[:-1])
    clear = clear[1:] & clear[:-1]
    width = max(2, round(_STABLE_S / hop_s))
    if len(cents) < 2 * width:
        return math.nan, math.nan
    view = np.lib.stride_tricks.sliding_window_view
    runs, held = view(cents, width), view(clear, width).all(axis=1)
    # Windows that reach out before the onset would see its phase late.
    inside = between[: len(runs)] >= onset + 0.25 * window_s
    stable = held & (np.ptp(runs, axis=1) < _STABLE_CENTS) & inside
    if not stable.any():
        return math.nan, math.nan
    first = int(np.argmax(stable))
    begins = float(runs[first].mean())
    allowed = _SETTLED_CENTS
    target = 0.0
    if vibrato is not None:
        allowed += vibrato.extent_cents
    else:
        # The steady pitch next to the start: a drift over a long note is no glide.
        after = between - between[first]
        beside = clear & (after > 0.1) & (after < 0.4)
        if beside.sum() >= 20:
            target = median(cents[beside])
    smooth = view(cents, width).mean(axis=1) - target
    stay = min(max(1, round(_SETTLED_S / hop_s)), len(smooth) - first)
    near = view(np.abs(smooth[first:]) <= allowed, stay).all(axis=1)
    settle = math.nan
    if near.any():
        place = first + int(np.argmax(near))
        # Where the first stretch is near already, the note came in tune.
        settle = 0.0 if place == first else float(between[place] + 0.5 * (width - 1) * hop_s) - onset
    return begins - target, max(settle, 0.0) if math.isfinite(settle) else settle


def first_order(start: NoteStart) -> tuple[int, float]:
    """Return which partial leads before the fundamental has half its size, and for how many seconds; 1, 0 if none."""
    sizes = start.sizes
    if sizes.shape[1] < 2 or start.full_sizes[0] <= 0.0:
        return 1, 0.0
    higher = sizes[:, 1:]
    best = np.argmax(higher, axis=1)
    rows = np.arange(len(higher))
    size, usual = higher[rows, best], start.full_sizes[1:][best]
    base, usual_base = sizes[:, 0], float(start.full_sizes[0])
    leads = (base < 0.5 * usual_base) & (size > base) & (size * usual_base > 2.0 * base * usual)
    leads &= (size > 0.1 * start.full) & (size**2 > 10.0 * start.noise)
    if not leads.any():
        return 1, 0.0
    first = int(np.argmax(leads))
    stop = first
    while stop < len(leads) and leads[stop : stop + 3].any():
        stop += 1
    held = float(start.times_s[stop - 1] - start.times_s[first])
    if held < max(_FIRST_LEAST_S, 0.5 * start.window_s):
        return 1, 0.0
    energy = np.bincount(best[first:stop], weights=size[first:stop] ** 2, minlength=higher.shape[1])
    return 2 + int(np.argmax(energy)), held
