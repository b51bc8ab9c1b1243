"""What a sound file is, gone through in bounded memory, and its blocks as one channel.

A file is read in blocks through libsndfile, so its length is bounded by what is really there and not by what
its header claims. Faults that leave the sound usable become warnings; all others are a `RecordingError`.
"""

import hashlib
import math
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile

from fluewright.arrays import Float32Array, FloatArray
from fluewright.errors import RecordingError
from fluewright.listening.channels import ChannelSums
from fluewright.listening.rates import HIGHEST_RATE_HZ, LOWEST_RATE_HZ

__all__ = [
    "LIBRARY_FAULTS",
    "LONGEST_S",
    "LONGEST_STREAM_S",
    "MOST_FRAMES",
    "RecordingAbout",
    "one_line",
    "read_blocks",
    "survey_recording",
]

LONGEST_S = 20.0 * 60.0
LONGEST_STREAM_S = 6.0 * 3600.0
SHORTEST_S = 0.050
# Bounds for memory: one value takes 4 bytes while reading, one mono sample 8 bytes afterwards.
MOST_FRAMES = 60_000_000
MOST_VALUES = 120_000_000
MOST_CHANNELS = 64
MOST_BYTES = 4 * 1024**3
# Float files may go above full scale, but not by more than 60 dB: beyond that the numbers are not sound.
LARGEST_SAMPLE = 1_000.0

_BLOCK_VALUES = 1 << 20
_SMALL_BLOCK_VALUES = 1 << 9
# Values summed up at a time: they stay in the processor's cache.
_CACHED_VALUES = 1 << 15

OnTheWay = Callable[[float, float], Callable[[FloatArray], None] | None]

#: What libsndfile's binding raises for a file that it cannot handle.
LIBRARY_FAULTS = (RuntimeError, OSError, TypeError, ValueError)


@dataclass(frozen=True)
class RecordingAbout:
    """What a sound file is, without its samples.

    Attributes
    ----------
    rate_hz : float
    channels : int
    duration_s : float
        Of what could be read.
    sha256 : str
    weights : tuple of float
        Share of every channel in the one that is heard: dead ones 0, an inverted second one negative.
    block_values : int
        Values read at a time; a damaged file has to be read again in the same steps.
    warnings : tuple of str
    """

    rate_hz: float
    channels: int
    duration_s: float
    sha256: str
    weights: tuple[float, ...]
    block_values: int
    warnings: tuple[str, ...]


def survey_recording(path: Path, *, held_frames: int = 0, on_the_way: OnTheWay | None = None) -> RecordingAbout:
    """Go once through a sound file in bounded memory and say what it is and what is wrong with it.

    Parameters
    ----------
    path : Path
    held_frames : int
        How many frames may be held at once where all of it is: 20 minutes at most then, else (0) six hours.
    on_the_way : callable, optional
        Spares a second reading of a file of one channel, whose samples are known at once. It is given the rate in Hz
        and how many seconds the header claims, each time that reading begins (again from the start in a damaged file),
        and returns what takes the blocks, or None.

    Returns
    -------
    RecordingAbout

    Raises
    ------
    RecordingError
        As `read_recording`, with a longest duration of its own.
    """
    path = Path(path)
    digest, size = _hash_file(path)
    found = _decode(path, held_frames, on_the_way)
    sums = found.sums
    if sums.frames == 0:
        why = f" ({found.fault})" if found.fault else ""
        raise RecordingError(f"{path}: no sound could be read from the file{why}. Export or record it again.")
    duration_s = sums.frames / found.rate_hz
    if duration_s < SHORTEST_S:
        raise RecordingError(
            f"{path}: the sound lasts {1e3 * duration_s:.1f} ms, shorter than the {1e3 * SHORTEST_S:.0f} ms"
            " needed to measure a pitch. Record a longer note."
        )
    weights, mixing = sums.weights()
    return RecordingAbout(
        float(found.rate_hz),
        found.channels,
        duration_s,
        digest,
        tuple(float(w) for w in weights),
        found.block_values,
        (*_missing(path, size, found), *sums.clipping(), *mixing, *_off_centre(sums, weights)),
    )


def _missing(path: Path, size: int, found: "_Decoded") -> list[str]:
    """Return what to say of a file that is damaged or ends early."""
    duration_s = found.sums.frames / found.rate_hz
    if found.fault or found.claimed > found.sums.frames:
        short = found.claimed > found.sums.frames
        claim = f" of the {found.claimed / found.rate_hz:.3f} s in its header" if short else ""
        return [
            f"the file is damaged or cut short: {duration_s:.3f} s{claim} could be read and are used;"
            " copy or export it again if the rest is needed"
        ]
    missing = _missing_wave_bytes(path, size)
    if not missing:
        return []
    return [
        f"the file is cut short: its header promises {missing} bytes of sound more than it holds;"
        f" the {duration_s:.3f} s that are there are used"
    ]


def _off_centre(sums: ChannelSums, weights: FloatArray) -> list[str]:
    offset, loudness = sums.offset_and_loudness(weights)
    if abs(offset) <= 0.005 or abs(offset) <= 0.02 * loudness:
        return []
    return [
        f"the sound stands off centre by {100 * offset:+.2f} % of full scale (DC offset);"
        " pitch is not affected, but check the microphone input"
    ]


def read_blocks(path: Path, about: RecordingAbout) -> Iterator[FloatArray]:
    """Yield a surveyed file as blocks of one channel, shape (n,), at most about a million values of the file each.

    Raises
    ------
    RecordingError
        The file cannot be read any more.
    """
    weights = np.asarray(about.weights)
    left = round(about.duration_s * about.rate_hz)
    try:
        source = soundfile.SoundFile(str(path))
    except LIBRARY_FAULTS as fault:
        raise RecordingError(f"{path}: cannot be read any more ({one_line(fault)}).") from None
    step = max(about.block_values // about.channels, 1)
    with source:
        while left > 0:
            try:
                block = source.read(step, dtype="float32", always_2d=True)
            except LIBRARY_FAULTS:
                return
            if len(block) == 0:
                return
            left -= len(block)
            yield block[:, 0].astype(np.float64) if about.channels == 1 else block.astype(np.float64) @ weights


def _hash_file(path: Path) -> tuple[str, int]:
    """Return the file's SHA-256 and size, or say why it cannot be opened."""
    try:
        about = path.stat()
        if stat.S_ISDIR(about.st_mode):
            raise RecordingError(f"{path} is a folder. Name a sound file in it.")
        if not stat.S_ISREG(about.st_mode):
            raise RecordingError(f"{path} is not an ordinary file. Name a sound file.")
        if about.st_size == 0:
            raise RecordingError(f"{path} is empty (0 bytes). Record or export it again.")
        if about.st_size > MOST_BYTES:
            raise RecordingError(
                f"{path} has {about.st_size / 1024**3:.1f} GiB, above the limit of"
                f" {MOST_BYTES // 1024**3} GiB. Cut it into shorter recordings."
            )
        digest = hashlib.sha256()
        with path.open("rb") as file:
            while block := file.read(_BLOCK_VALUES):
                digest.update(block)
    except FileNotFoundError:
        raise RecordingError(f"{path}: there is no such file. Check the name and the folder.") from None
    except PermissionError:
        raise RecordingError(f"{path}: no permission to read it. Change its rights or choose another file.") from None
    except RecordingError:
        raise
    except (OSError, ValueError) as fault:  # ValueError: a zero byte in the name
        raise RecordingError(f"{path!s}: the file cannot be read: {one_line(fault)}") from None
    return digest.hexdigest(), about.st_size


@dataclass(frozen=True, eq=False)
class _Decoded:
    """What going through a file found: sums, the header's claim of frames, and a fault met on the way."""

    sums: ChannelSums
    rate_hz: int
    channels: int
    claimed: int
    fault: str
    block_values: int


def _decode(path: Path, held_frames: int, on_the_way: OnTheWay | None) -> _Decoded:
    found = _decode_in_steps(path, held_frames, _BLOCK_VALUES, on_the_way)
    # A block with a fault is lost as a whole: small ones save nearly all that is there.
    return _decode_in_steps(path, held_frames, _SMALL_BLOCK_VALUES, on_the_way) if found.fault else found


def _decode_in_steps(path: Path, held_frames: int, step_values: int, on_the_way: OnTheWay | None) -> _Decoded:
    sums = ChannelSums()
    try:
        source = soundfile.SoundFile(str(path))
    except LIBRARY_FAULTS as fault:
        raise RecordingError(
            f"{path}: not a sound file that can be read ({one_line(fault)}). Use WAV, FLAC, OGG or MP3."
        ) from None
    with source:
        rate_hz, channels, claimed = int(source.samplerate), int(source.channels), int(source.frames)
        claimed = 0 if claimed > 1 << 61 else max(claimed, 0)  # a stream of unknown length claims the maximum
        most = _most_frames(path, rate_hz, channels, held_frames)
        if claimed > most:
            raise _too_long(path, claimed, rate_hz, most)
        step = max(step_values // channels, 1)
        take = on_the_way(float(rate_hz), claimed / rate_hz) if on_the_way is not None and channels == 1 else None
        while True:
            try:
                block = source.read(step, dtype="float32", always_2d=True)
            except LIBRARY_FAULTS as fault:
                return _Decoded(sums, rate_hz, channels, claimed, one_line(fault), step_values)
            if len(block) == 0:
                return _Decoded(sums, rate_hz, channels, claimed, "", step_values)
            if sums.frames + len(block) > most:  # the header lied, or gave no length
                raise _too_long(path, sums.frames + len(block), rate_hz, most)
            short = max(_CACHED_VALUES // channels, 1)
            for start in range(0, len(block), short):
                part = block[start : start + short]
                _check_block(path, part, sums.frames, rate_hz)
                sums.add(part)
            if take is not None:
                take(block[:, 0].astype(np.float64))


def _most_frames(path: Path, rate_hz: int, channels: int, held_frames: int) -> int:
    """Return how many frames a file may have, or say that its rate or its channels are out of range."""
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise RecordingError(
            f"{path}: {rate_hz} samples a second, outside {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ}."
            " Record at 44100 or 48000."
        )
    if not 1 <= channels <= MOST_CHANNELS:
        raise RecordingError(f"{path}: {channels} channels, more than {MOST_CHANNELS}. Export one or two channels.")
    if held_frames:
        return min(held_frames, MOST_VALUES // channels, int(LONGEST_S * rate_hz))
    return int(LONGEST_STREAM_S * rate_hz)


def _too_long(path: Path, frames: int, rate_hz: int, most: int) -> RecordingError:
    return RecordingError(
        f"{path}: the sound lasts {frames / rate_hz:.0f} s or more, above the limit of {most / rate_hz:.0f} s"
        f" at {rate_hz} samples a second. Cut it into shorter recordings."
    )


def _check_block(path: Path, block: Float32Array, first: int, rate_hz: int) -> None:
    largest = max(float(block.max()), -float(block.min()))
    if math.isfinite(largest) and largest <= LARGEST_SAMPLE:
        return
    with np.errstate(invalid="ignore"):
        bad = ~(np.abs(block) <= LARGEST_SAMPLE)
    at_s = (first + int(np.argmax(bad.any(axis=1)))) / rate_hz
    raise RecordingError(
        f"{path}: at {at_s:.3f} s a sample is not a number, infinite, or beyond {LARGEST_SAMPLE:.0f} times"
        " full scale. The file is damaged; record or export it again."
    )


def _missing_wave_bytes(path: Path, size: int) -> int:
    """Return how many bytes of sound a RIFF header promises beyond the end of the file.

    libsndfile shortens the length without a word, so the chunks are walked here.
    """
    with path.open("rb") as file:
        start = file.read(12)
        if len(start) < 12 or start[:4] not in (b"RIFF", b"RIFX") or start[8:] != b"WAVE":
            return 0
        return _walk_chunks(file, size, lambda raw: int.from_bytes(raw, "little" if start[:4] == b"RIFF" else "big"))


def _walk_chunks(file: BinaryIO, size: int, number: Callable[[bytes], int]) -> int:
    place = 12
    for _ in range(1000):
        file.seek(place)
        head = file.read(8)
        if len(head) < 8:
            return 0
        length = number(head[4:])
        if head[:4] == b"data":
            # Programs that record to a pipe leave a placeholder near 2 or 4 GiB instead of the length.
            placeholder = length >= 0x7FFF_0000
            return 0 if placeholder else max(place + 8 + length - size, 0)
        place += 8 + length + length % 2
    return 0


def one_line(fault: BaseException) -> str:
    """Return what a fault says in one line."""
    return " ".join(str(fault).split()) or type(fault).__name__
