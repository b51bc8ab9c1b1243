"""Where one note ends and the next begins.

Works on the frames of a `PitchTrack` and on level envelopes; times and frequencies are settled elsewhere.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from fluewright.arrays import BoolArray, FloatArray
from fluewright.listening.medians import median, running_median

__all__ = ["Stretch", "level_dips", "runs_of", "sounding_frames", "split_by_pitch"]


_REACH_S = 0.75
_BELOW_NEIGHBOURS_DB = 35.0
_BELOW_LOUDEST_DB = 45.0
_HOLE_FRAMES = 2
_NEAR_FRAMES = 3
_FAR_FRAMES = 7
_SMOOTH = 5
_SLOPE_FRAMES = 3
# Vibrato: no wider than a tone either way, and no slower than 2 Hz; of its swings four frames, about the length
# of a window, see less than this part.
_LEAP_FRAMES = 4
_LEAP_PART = 0.82
_WIDEST_VIBRATO_CENTS = 220.0
_LONGEST_SWING_FRAMES = 25


@dataclass(frozen=True)
class Stretch:
    """Frames `first` to `last` (both counted in) that hold one pitch.

    `joined_before` and `joined_after` tell that another pitch follows without a break (slurred).
    """

    first: int
    last: int
    joined_before: bool
    joined_after: bool


def sounding_frames(level_db: FloatArray, clarity_db: FloatArray, *, clear_db: float, frames_per_s: float) -> BoolArray:
    """Return which frames hold a tone: clear of the background, not the faint tail of a louder neighbour.

    Parameters
    ----------
    level_db, clarity_db : float array, shape (n,)
        Of a `PitchTrack`.
    clear_db : float
        How far a tone must stand above the background.
    frames_per_s : float

    Returns
    -------
    bool array, shape (n,)
    """
    if len(level_db) == 0:
        return np.zeros(0, dtype=bool)
    clear = clarity_db >= clear_db
    if not clear.any():
        return clear
    heard = np.where(clear, level_db, -200.0)
    around = _sliding_max(heard, int(_REACH_S * frames_per_s))
    loud_enough = np.maximum(around - _BELOW_NEIGHBOURS_DB, heard.max() - _BELOW_LOUDEST_DB)
    return np.asarray(clear & (heard >= loud_enough), dtype=np.bool_)


def runs_of(frames: BoolArray) -> list[tuple[int, int]]:
    """Return (first, last), both counted in, of every run of frames, shape (n,), that are true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], frames.astype(np.int8), [0]]))).tolist()
    return [(first, stop - 1) for first, stop in zip(edges[0::2], edges[1::2], strict=True)]


def split_by_pitch(
    pitch_hz: FloatArray, sounding: BoolArray, *, step_cents: float, shortest_frames: int
) -> list[Stretch]:
    """Cut the sounding frames into stretches of one pitch.

    A cut is made where the median pitch of five frames differs by more than `step_cents` across four frames,
    that is, where pitch moves fast and stays there. A slow glide of any width stays whole, and so does a wide
    vibrato, which swings to and fro without leaps. Pieces shorter than `shortest_frames` between two cuts are
    given to their neighbours.

    Parameters
    ----------
    pitch_hz, sounding : array, shape (n,)
        Pitch in each frame, and which frames hold a tone.
    step_cents : float
    shortest_frames : int
    """
    cents = 1200.0 * np.log2(np.maximum(pitch_hz, 1.0))
    stretches: list[Stretch] = []
    for first, last in _runs(sounding, cents, step_cents):
        run = running_median(cents[first : last + 1], _SMOOTH)
        cuts = _tidy(run.copy(), _steps(run, step_cents), step_cents, shortest_frames)
        kept = _without_vibrato(run, cuts, step_cents)
        if len(kept) < len(cuts):
            cuts = _tidy(run.copy(), kept, step_cents, shortest_frames)
        edges = [0, *cuts, len(run)]
        for i, (a, b) in enumerate(pairwise(edges)):
            stretches.append(Stretch(first + a, first + b - 1, i > 0, i < len(edges) - 2))
    return stretches


def level_dips(level_db: FloatArray, *, depth_db: float, reach: int) -> list[int]:
    """Return the places of narrow dips of a level, shape (n,): `depth_db` under what stands within `reach` places."""
    count = len(level_db)
    if count < 5:
        return []
    before = _sliding_max(level_db, reach, ahead=0)
    after = _sliding_max(level_db[::-1], reach, ahead=0)[::-1]
    depth = np.minimum(before, after) - level_db
    dips: list[int] = []
    i = 0
    deep = depth >= depth_db
    if not deep.any():
        return dips
    while i < count:
        if not deep[i]:
            i += 1
            continue
        j = i
        while j + 1 < count and (deep[j + 1] or (j + 2 < count and deep[j + 2])):
            j += 1
        dips.append(i + int(np.argmin(level_db[i : j + 1])))
        i = j + 1
    return dips


def _sliding_max(values: FloatArray, reach: int, ahead: int | None = None) -> FloatArray:
    """Largest value from `reach` places before to `ahead` (or `reach`) places after."""
    ahead = reach if ahead is None else ahead
    padded = np.concatenate([np.full(reach, -np.inf), values, np.full(ahead, -np.inf)])
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, reach + ahead + 1).max(axis=1), dtype=np.float64)


def _runs(sounding: BoolArray, cents: FloatArray, step_cents: float) -> list[tuple[int, int]]:
    """Return runs of sounding frames, with holes of one or two frames closed where the pitch goes on."""
    runs: list[tuple[int, int]] = []
    for here in runs_of(sounding):
        if runs:
            previous = runs[-1]
            hole = here[0] - previous[1] - 1
            step = abs(
                median(cents[max(previous[0], previous[1] - 4) : previous[1] + 1])
                - median(cents[here[0] : min(here[0] + 5, here[1] + 1)])
            )
            if hole <= _HOLE_FRAMES and step < step_cents:
                cents[previous[1] + 1 : here[0]] = 0.5 * (cents[previous[1]] + cents[here[0]])
                runs[-1] = (previous[0], here[1])
                continue
        runs.append(here)
    return runs


def _steps(run: FloatArray, step_cents: float) -> list[int]:
    """Return the frames where a new pitch starts."""
    count = len(run)
    if count < 2 * _NEAR_FRAMES:
        return []
    near = _NEAR_FRAMES - 1
    width = _FAR_FRAMES - near
    medians = running_median(run, width if width % 2 else width - 1)
    centre = near + width // 2
    places = np.arange(count)
    right = np.minimum(places + centre - 1, count - 1)
    left = np.maximum(places - centre, 0)
    difference = np.abs(medians[right] - medians[left])
    # What a glide would do that goes on as it does beyond: take the slower side, since the faster may be
    # another step.
    beyond = np.full((2, count), np.inf)
    whole = places + centre + _SLOPE_FRAMES - 1 < count
    beyond[0, whole] = np.abs(run[(right + _SLOPE_FRAMES)[whole]] - run[right[whole]])
    whole = places - centre - _SLOPE_FRAMES >= 0
    beyond[1, whole] = np.abs(run[left[whole]] - run[(left - _SLOPE_FRAMES)[whole]])
    slope = beyond.min(axis=0)
    glide = np.where(np.isfinite(slope), slope, 0.0) * (2 * centre - 1) / _SLOPE_FRAMES
    difference -= glide
    cuts: list[int] = []
    i = 0
    while i < count:
        if difference[i] <= step_cents:
            i += 1
            continue
        j = i
        while j + 1 < count and difference[j + 1] > step_cents:
            j += 1
        cuts += _place_cuts(run, i, j, step_cents)
        i = j + 1
    return sorted({c for c in cuts if 0 < c < count})


def _place_cuts(run: FloatArray, first: int, last: int, step_cents: float) -> list[int]:
    """Return the cuts in a region where pitch moves fast: one at each fast step, at the half-way pitch."""
    low, high = max(first - 1, 0), min(last + 1, len(run) - 1)
    piece = run[low : high + 1]
    moves = np.abs(np.diff(piece))
    cuts: list[int] = []
    # A step takes up to the length of a window, four frames; the fastest move marks its middle.
    while len(moves) and float(moves.max()) > 0.15 * step_cents:
        k = int(np.argmax(moves))
        cuts.append(low + k + 1)
        moves[max(0, k - 4) : k + 5] = 0.0
    return cuts


def _without_vibrato(run: FloatArray, cuts: list[int], step_cents: float) -> list[int]:
    """Leave out cuts in a vibrato: in a smooth swing beside one the other way, about as wide.

    Of a swing as smooth as a sine's four frames see no more than sin(2 pi / its length in frames). Fingers take a
    slurred trill across in 40 ms or less, of which they see 0.87.
    """
    slack = 0.15 * step_cents
    kept = []
    for cut in cuts:
        upwards = bool(run[cut] > run[cut - 1])
        top = _swing_end(run, cut - 1, 1, upwards=upwards, slack=slack)
        bottom = _swing_end(run, cut, -1, upwards=not upwards, slack=slack)
        here = (bottom, top)
        after = (top, _swing_end(run, top, 1, upwards=not upwards, slack=slack))
        before = (_swing_end(run, bottom, -1, upwards=upwards, slack=slack), bottom)
        if not (_one_vibrato(run, here, after) or _one_vibrato(run, before, here)):
            kept.append(cut)
    return kept


def _swing_end(run: FloatArray, start: int, step: int, *, upwards: bool, slack: float) -> int:
    """Walk from `start` while pitch rises (or falls), small retreats aside; return the place of the extreme."""
    sign = 1.0 if upwards else -1.0
    best = place = start
    while 0 <= place + step < len(run) and sign * (run[best] - run[place]) <= slack:
        place += step
        if sign * (run[place] - run[best]) > 0.0:
            best = place
    return best


def _one_vibrato(run: FloatArray, first: tuple[int, int], second: tuple[int, int]) -> bool:
    """Tell whether two swings that follow each other, as (first frame, last frame), belong to a vibrato."""
    length = 0.5 * (second[1] - first[0])
    if not _LEAP_FRAMES < length <= _LONGEST_SWING_FRAMES:
        return False
    most = min(_LEAP_PART, 1.2 * math.sin(2.0 * math.pi / length))
    sizes = []
    for low, high in (first, second):
        size = abs(float(run[high] - run[low]))
        piece = run[low : high + 1]
        if len(piece) <= _LEAP_FRAMES or np.abs(piece[_LEAP_FRAMES:] - piece[:-_LEAP_FRAMES]).max() > most * size:
            return False
        sizes.append(size)
    return min(sizes) > 0.5 * max(sizes) and max(sizes) < _WIDEST_VIBRATO_CENTS


def _tidy(run: FloatArray, cuts: list[int], step_cents: float, shortest: int) -> list[int]:
    """Remove cuts that leave too short a piece, or the same pitch on both sides; smooths `run` in place."""
    cuts = list(cuts)
    while cuts:
        edges = [0, *cuts, len(run)]
        lengths = np.diff(edges)
        k = int(np.argmin(lengths))
        if lengths[k] < shortest:
            # The piece joins the neighbour that is nearer in pitch; both, where they are one note.
            before = median(run[max(edges[k - 1], edges[k] - 7) : edges[k]]) if k > 0 else np.inf
            following = edges[k + 1 : k + 3]
            after = median(run[following[0] : min(following[1], following[0] + 7)]) if len(following) == 2 else np.inf
            here = median(run[edges[k] : edges[k + 1]])
            nearer = before if abs(here - before) <= abs(here - after) else after
            run[edges[k] : edges[k + 1]] = nearer
            if k > 0 and len(following) == 2 and abs(before - after) < step_cents:
                del cuts[k - 1 : k + 1]
            else:
                del cuts[k - 1 if nearer == before else k]
            continue
        steps = [
            abs(
                median(run[max(edges[i], edges[i + 1] - 7) : edges[i + 1] - (2 if lengths[i] > 5 else 0)])
                - median(run[edges[i + 1] + (2 if lengths[i + 1] > 5 else 0) : min(edges[i + 2], edges[i + 1] + 7)])
            )
            for i in range(len(cuts))
        ]
        k = int(np.argmin(steps))
        if steps[k] >= step_cents:
            break
        del cuts[k]
    return cuts
