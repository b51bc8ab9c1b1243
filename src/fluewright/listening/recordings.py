"""Which sound a file holds, and whether it is fit to be measured.

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
from numpy.typing import ArrayLike

from fluewright.arrays import Float32Array, FloatArray
from fluewright.errors import RecordingError

__all__ = [
    "LONGEST_S",
    "LONGEST_STREAM_S",
    "Recording",
    "RecordingAbout",
    "read_blocks",
    "read_recording",
    "survey_recording",
    "write_recording",
]

LONGEST_S = 20.0 * 60.0
LONGEST_STREAM_S = 6.0 * 3600.0
SHORTEST_S = 0.050
LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 768_000
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
_CLIP_RUN = 3
_WRITE_SUFFIXES = {".wav": "WAV", ".flac": "FLAC"}

OnTheWay = Callable[[float, float], Callable[[FloatArray], None] | None]


@dataclass(frozen=True, eq=False)
class Recording:
    """One recording as a single channel.

    Parameters
    ----------
    samples : float array, shape (n,)
        Sound pressure relative to full scale (1.0); read-only. The mean of the usable channels.
    rate_hz : float
        Samples per second.
    channels : int
        Channels in the file.
    duration_s : float
        Length of `samples` in seconds.
    sha256 : str
        Hash of the whole file as 64 hexadecimal digits, to tell later which file was heard.
    warnings : tuple of str
        Faults that left the recording usable.
    """

    samples: FloatArray
    rate_hz: float
    channels: int
    duration_s: float
    sha256: str
    warnings: tuple[str, ...] = ()


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


def survey_recording(
    path: Path, *, longest_s: float = LONGEST_STREAM_S, on_the_way: OnTheWay | None = None
) -> RecordingAbout:
    """Go once through a sound file in bounded memory and say what it is and what is wrong with it.

    Parameters
    ----------
    path : Path
    longest_s : float
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
    survey = _Survey()
    rate_hz, channels, claimed, fault = _decode(path, survey, longest_s, on_the_way)
    if survey.frames == 0:
        why = f" ({fault})" if fault else ""
        raise RecordingError(f"{path}: no sound could be read from the file{why}. Export or record it again.")
    duration_s = survey.frames / rate_hz
    if duration_s < SHORTEST_S:
        raise RecordingError(
            f"{path}: the sound lasts {1e3 * duration_s:.1f} ms, shorter than the {1e3 * SHORTEST_S:.0f} ms"
            " needed to measure a pitch. Record a longer note."
        )
    warnings: list[str] = []
    if fault or claimed > survey.frames:
        claim = f" of the {claimed / rate_hz:.3f} s in its header" if claimed > survey.frames else ""
        warnings.append(
            f"the file is damaged or cut short: {duration_s:.3f} s{claim} could be read and are used;"
            " copy or export it again if the rest is needed"
        )
    else:
        missing = _missing_wave_bytes(path, size)
        if missing:
            warnings.append(
                f"the file is cut short: its header promises {missing} bytes of sound more than it holds;"
                f" the {duration_s:.3f} s that are there are used"
            )
    warnings += survey.clipping()
    weights, mixing = survey.weights()
    warnings += mixing
    offset, loudness = survey.offset_and_loudness(weights)
    if abs(offset) > 0.005 and abs(offset) > 0.02 * loudness:
        warnings.append(
            f"the sound stands off centre by {100 * offset:+.2f} % of full scale (DC offset);"
            " pitch is not affected, but check the microphone input"
        )
    return RecordingAbout(
        float(rate_hz),
        channels,
        duration_s,
        digest,
        tuple(float(w) for w in weights),
        survey.block_values,
        tuple(warnings),
    )


def read_blocks(path: Path, about: RecordingAbout) -> Iterator[FloatArray]:
    """Yield a surveyed file as blocks of one channel, at most about a million values of the file each.

    Raises
    ------
    RecordingError
        The file cannot be read any more.
    """
    weights = np.asarray(about.weights)
    left = round(about.duration_s * about.rate_hz)
    try:
        source = soundfile.SoundFile(str(path))
    except (RuntimeError, OSError, TypeError, ValueError) as fault:
        raise RecordingError(f"{path}: cannot be read any more ({_one_line(fault)}).") from None
    step = max(about.block_values // about.channels, 1)
    with source:
        while left > 0:
            try:
                block = source.read(step, dtype="float32", always_2d=True)
            except (RuntimeError, OSError, TypeError, ValueError):
                return
            if len(block) == 0:
                return
            left -= len(block)
            yield block[:, 0].astype(np.float64) if about.channels == 1 else block.astype(np.float64) @ weights


def read_recording(path: Path) -> Recording:
    """Read a sound file (WAV, FLAC, OGG, MP3 and the other kinds that libsndfile knows).

    Parameters
    ----------
    path : Path
        An ordinary file of 50 ms to 20 minutes at 8 kHz to 768 kHz.

    Returns
    -------
    Recording
        One channel: the mean of the channels, without dead ones and with an inverted second channel turned
        round.

    Raises
    ------
    RecordingError
        The file cannot be read, is too short, too long or too large, or holds no sound that can be measured.
    """
    path = Path(path)
    about = survey_recording(path, longest_s=LONGEST_S)
    samples = np.empty(round(about.duration_s * about.rate_hz))
    place = 0
    for block in read_blocks(path, about):
        samples[place : place + len(block)] = block
        place += len(block)
    samples = samples[:place]
    samples.flags.writeable = False
    return Recording(samples, about.rate_hz, about.channels, about.duration_s, about.sha256, about.warnings)


def write_recording(path: Path, samples: ArrayLike, rate_hz: float) -> None:
    """Write one channel as 24-bit PCM; the suffix `.wav` or `.flac` names the kind of file.

    Parameters
    ----------
    path : Path
        File to write; an existing one is replaced.
    samples : float array, shape (n,)
        Values from -1 to 1.
    rate_hz : float
        Samples per second, a whole number from 8 kHz to 768 kHz (FLAC: to 655.35 kHz).

    Raises
    ------
    RecordingError
        Another suffix, samples that are not finite or exceed full scale, an odd rate, or a failure to write.
    """
    path = Path(path)
    kind = _WRITE_SUFFIXES.get(path.suffix.lower())
    if kind is None:
        raise RecordingError(f"{path}: cannot write a sound file with the suffix {path.suffix!r}. Use .wav or .flac.")
    data = np.asarray(samples, dtype=np.float64)
    if data.ndim != 1 or data.size == 0:
        raise RecordingError(f"{path}: samples have the shape {data.shape}; one channel (n,) with n > 0 is needed.")
    if not np.all(np.isfinite(data)):
        raise RecordingError(f"{path}: some samples are not numbers. Nothing was written.")
    peak = float(np.max(np.abs(data)))
    if peak > 1.0:
        raise RecordingError(
            f"{path}: samples reach {peak:.4g} of full scale, above 1. Scale them down; nothing was written."
        )
    highest = 655_350 if kind == "FLAC" else HIGHEST_RATE_HZ
    if not (LOWEST_RATE_HZ <= rate_hz <= highest and float(rate_hz).is_integer()):
        raise RecordingError(
            f"{path}: {rate_hz} samples a second; give a whole number from {LOWEST_RATE_HZ} to {highest}."
        )
    try:
        soundfile.write(str(path), data, int(rate_hz), subtype="PCM_24", format=kind)
    except (RuntimeError, OSError, TypeError, ValueError) as fault:
        raise RecordingError(f"{path}: the sound file cannot be written: {_one_line(fault)}") from None


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
        raise RecordingError(f"{path!s}: the file cannot be read: {_one_line(fault)}") from None
    return digest.hexdigest(), about.st_size


def _decode(path: Path, survey: "_Survey", longest_s: float, on_the_way: OnTheWay | None) -> tuple[int, int, int, str]:
    """Fill the survey; return the rate, channels, the header's claim of frames, and a fault met on the way."""
    rate_hz, channels, claimed, fault = _decode_in_steps(path, survey, longest_s, _BLOCK_VALUES, on_the_way)
    if fault:
        # A block with a fault is lost as a whole: small ones save nearly all that is there.
        survey.forget()
        survey.block_values = _SMALL_BLOCK_VALUES
        rate_hz, channels, claimed, fault = _decode_in_steps(path, survey, longest_s, _SMALL_BLOCK_VALUES, on_the_way)
    return rate_hz, channels, claimed, fault


def _decode_in_steps(
    path: Path, survey: "_Survey", longest_s: float, step_values: int, on_the_way: OnTheWay | None
) -> tuple[int, int, int, str]:
    try:
        source = soundfile.SoundFile(str(path))
    except (RuntimeError, OSError, TypeError, ValueError) as fault:
        raise RecordingError(
            f"{path}: not a sound file that can be read ({_one_line(fault)}). Use WAV, FLAC, OGG or MP3."
        ) from None
    with source:
        rate_hz, channels, claimed = int(source.samplerate), int(source.channels), int(source.frames)
        if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
            raise RecordingError(
                f"{path}: {rate_hz} samples a second, outside {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ}."
                " Record at 44100 or 48000."
            )
        if not 1 <= channels <= MOST_CHANNELS:
            raise RecordingError(f"{path}: {channels} channels, more than {MOST_CHANNELS}. Export one or two channels.")
        most = int(longest_s * rate_hz)
        if longest_s <= LONGEST_S:
            most = min(MOST_FRAMES, MOST_VALUES // channels, most)
        claimed = 0 if claimed > 1 << 61 else max(claimed, 0)  # a stream of unknown length claims the maximum
        if claimed > most:
            raise _too_long(path, claimed, rate_hz, most)
        step = max(step_values // channels, 1)
        take = on_the_way(float(rate_hz), claimed / rate_hz) if on_the_way is not None and channels == 1 else None
        while True:
            try:
                block = source.read(step, dtype="float32", always_2d=True)
            except (RuntimeError, OSError, TypeError, ValueError) as fault:
                return rate_hz, channels, claimed, _one_line(fault)
            if len(block) == 0:
                return rate_hz, channels, claimed, ""
            if survey.frames + len(block) > most:  # the header lied, or gave no length
                raise _too_long(path, survey.frames + len(block), rate_hz, most)
            short = max(_CACHED_VALUES // channels, 1)
            for start in range(0, len(block), short):
                part = block[start : start + short]
                _check_block(path, part, survey.frames, rate_hz)
                survey.add(part)
            if take is not None:
                take(block[:, 0].astype(np.float64))


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


class _Survey:
    """Sums over a file's channels, block by block: power, likeness, flat tops."""

    def __init__(self) -> None:
        self.block_values = _BLOCK_VALUES
        self.forget()

    def forget(self) -> None:
        """Begin anew."""
        self.frames = 0
        self._total = np.zeros(0)
        self._products = np.zeros((0, 0))
        self._peak = np.zeros(0)
        self._flat = np.zeros(0, dtype=np.int64)
        self._tail: Float32Array | None = None

    def add(self, block: Float32Array) -> None:
        """Take in a block of shape (n, channels)."""
        channels = block.shape[1]
        if self.frames == 0:
            self._total, self._products = np.zeros(channels), np.zeros((channels, channels))
            self._peak, self._flat = np.zeros(channels), np.zeros(channels, dtype=np.int64)
        self.frames += len(block)
        exact = block.astype(np.float64)
        self._total += exact.sum(axis=0)
        # One channel without the matrix product, which would wake threads for a sum.
        self._products += np.sum(np.square(exact)) if channels == 1 else exact.T @ exact
        joined = block if self._tail is None else np.concatenate([self._tail, block])
        known = 0 if self._tail is None else len(self._tail)
        for index in range(channels):
            self._count_flat(index, np.abs(joined[:, index]), known)
        self._tail = joined[-(_CLIP_RUN - 1) :].copy()

    def _count_flat(self, index: int, size: Float32Array, known: int) -> None:
        """Count samples in runs of three or more at the channel's own peak, close to full scale."""
        peak = float(size.max())
        if peak > self._peak[index] + 2e-5:
            # What stood flat under a lower top was no clipping.
            if min(peak, 1.0) - 2e-5 > self._peak[index]:
                self._flat[index] = 0
            self._peak[index] = peak
        top = float(self._peak[index])
        if top < 0.9 or peak < min(top, 1.0) - 2e-5:
            return
        at_top = size >= min(top, 1.0) - 2e-5
        triple = at_top[2:] & at_top[1:-1] & at_top[:-2]
        if not triple.any():
            return
        flat = np.zeros(len(size), dtype=bool)
        for shift in range(_CLIP_RUN):
            flat[shift : shift + len(triple)] |= triple
        self._flat[index] += int(np.count_nonzero(flat[known:]))

    def clipping(self) -> list[str]:
        """Return a warning for every clipped channel."""
        warnings = []
        for index, flat in enumerate(self._flat):
            if flat == 0:
                continue
            name = "the sound" if len(self._flat) == 1 else f"channel {index + 1}"
            warnings.append(
                f"{name} is clipped: {100 * flat / self.frames:.3g} % of the samples stand in flat tops at"
                f" {self._peak[index]:.3g} of full scale; levels and harmonics are not to be trusted, record at a"
                " lower level"
            )
        return warnings

    def weights(self) -> tuple[FloatArray, list[str]]:
        """Return the share of every channel, and what was odd about the channels."""
        channels = len(self._total)
        weights = np.ones(channels)
        warnings: list[str] = []
        covariance = self._products / self.frames - np.outer(self._total, self._total) / self.frames**2
        power = np.maximum(np.diag(covariance), 0.0)
        loudest = float(power.max())
        # 60 dB under the loudest channel is cross-talk or the hiss of an open input.
        dead = power < 1e-6 * loudest
        if loudest > 0.0 and dead.any():
            names = ", ".join(str(1 + i) for i in np.flatnonzero(dead))
            warnings.append(f"channel {names} of {channels} is dead (no sound); the others are used")
            weights[dead] = 0.0
        elif channels == 2 and loudest > 0.0:
            likeness = covariance[0, 1] / math.sqrt(power[0] * power[1])
            if likeness < -0.8:
                warnings.append(
                    f"channel 2 is inverted against channel 1 (correlation {likeness:.2f}); it was turned round"
                    " before mixing, check the cable or the microphone's polarity switch"
                )
                weights[1] = -1.0
        return weights / np.abs(weights).sum(), warnings

    def offset_and_loudness(self, weights: FloatArray) -> tuple[float, float]:
        """Return mean and root mean square of the mixed sound."""
        offset = float(self._total @ weights) / self.frames
        return offset, math.sqrt(max(float(weights @ self._products @ weights) / self.frames, 0.0))


def _one_line(fault: BaseException) -> str:
    return " ".join(str(fault).split()) or type(fault).__name__
