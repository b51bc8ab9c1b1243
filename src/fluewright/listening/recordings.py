"""One recording as a single channel, read from a sound file or written to one."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import ArrayLike

from fluewright.arrays import FloatArray
from fluewright.errors import InputError, RecordingError
from fluewright.files import part_file
from fluewright.listening.rates import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from fluewright.listening.sound import Sound
from fluewright.listening.survey import LIBRARY_FAULTS, MOST_FRAMES, one_line, read_blocks, survey_recording

__all__ = ["Recording", "read_recording", "write_recording"]


_WRITE_SUFFIXES = {".wav": "WAV", ".flac": "FLAC"}


@dataclass(frozen=True, eq=False)
class Recording(Sound):
    """One recording as a single channel.

    Parameters
    ----------
    samples : float array, shape (n,)
        Relative to full scale (1.0); read-only. The mean of the usable channels.
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


def read_recording(path: Path, *, most_frames: int = MOST_FRAMES) -> Recording:
    """Read a sound file (WAV, FLAC, OGG, MP3 and the other kinds that libsndfile knows).

    Parameters
    ----------
    path : Path
        An ordinary file of 50 ms to 20 minutes at 8 kHz to 768 kHz.
    most_frames : int
        How much of it may be held, 8 bytes each.

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
    about = survey_recording(path, held_frames=most_frames)
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
        with part_file(path) as part:
            soundfile.write(str(part), data, int(rate_hz), subtype="PCM_24", format=kind)
            # On a full disk the library may leave a shorter file without a word.
            if soundfile.info(str(part)).frames != len(data):
                raise RecordingError(f"{path}: the sound file cannot be written whole; free some room on the disk")
    except LIBRARY_FAULTS as fault:
        raise RecordingError(f"{path}: the sound file cannot be written: {one_line(fault)}") from None
    except RecordingError:
        raise
    except InputError as error:
        raise RecordingError(error.problem) from error
