"""Hear damaged sound files in a process of its own, so that a crash, a hang or a flood of memory is seen from outside.

    python damaged_files.py FOLDER FIRST COUNT

Prints one JSON line a file before it is read, and one after it.
"""

import json
import resource
import signal
import struct
import sys
import time
from pathlib import Path

import numpy as np
import soundfile

from fluewright.errors import RecordingError
from fluewright.listening import hear_notes, read_recording
from fluewright.listening.streams import hear_file

RATE_HZ = 44_100
EXTRA_BYTES = 300 * 1024**2
LONGEST_S = 5.0
SOURCES = (
    ("a.wav", "WAV", "PCM_16", 1),
    ("b.wav", "WAV", "PCM_24", 2),
    ("c.wav", "WAV", "FLOAT", 1),
    ("d.flac", "FLAC", "PCM_16", 2),
    ("e.ogg", "OGG", "VORBIS", 1),
    ("f.mp3", "MP3", "MPEG_LAYER_III", 1),
)
_LENGTHS = (0, 1, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF, 1 << 24, 1 << 30)


def write_sources(folder):
    """Write one short sound in every format and return the bytes by name."""
    t = np.arange(round(0.15 * RATE_HZ)) / RATE_HZ
    sound = 0.2 * np.sin(2 * np.pi * 587.33 * t) + 0.05 * np.sin(2 * np.pi * 1174.66 * t)
    sound += 1e-3 * np.random.default_rng(3).standard_normal(len(t))
    files = {}
    for name, kind, subtype, channels in SOURCES:
        data = np.stack([sound, 0.5 * sound], axis=1) if channels == 2 else sound
        soundfile.write(str(folder / name), data, RATE_HZ, format=kind, subtype=subtype)
        files[name] = (folder / name).read_bytes()
    return files


def damage(data, rng):
    """Return the name of the damage and the damaged bytes."""
    out = bytearray(data)
    header = min(200, len(out))
    kind = rng.integers(10)
    if kind == 0:
        for place in rng.integers(0, 8 * len(out), rng.integers(1, 40)):
            out[place // 8] ^= 1 << int(place % 8)
        return "bits", bytes(out)
    if kind == 1:
        for place in rng.integers(0, 8 * header, rng.integers(1, 6)):
            out[place // 8] ^= 1 << int(place % 8)
        return "header bits", bytes(out)
    if kind == 2:
        return "cut", bytes(out[: rng.integers(0, len(out))])
    if kind == 3:
        return "cut in the header", bytes(out[: rng.integers(0, header)])
    if kind == 4:
        place = int(rng.integers(4, header - 4))
        out[place : place + 4] = struct.pack("<I", int(rng.choice(_LENGTHS)))
        return "header field", bytes(out)
    if kind == 5:  # the fields of a wave file by place: channels, rate, bytes a second, block, bits, lengths
        place, width = [(22, 2), (24, 4), (28, 4), (32, 2), (34, 2), (4, 4), (40, 4), (16, 4)][rng.integers(8)]
        values = (0, 1, 2, 3, 255, 4096, 65_535) if width == 2 else (*_LENGTHS, 8000, 768_000)
        out[place : place + width] = (int(rng.choice(values)) & (256**width - 1)).to_bytes(width, "little")
        return "wave field", bytes(out)
    if kind == 6:
        a, b = sorted(int(v) for v in rng.integers(0, len(out), 2))
        return "piece repeated", bytes(out[:b] + out[a:b] * int(rng.integers(1, 5)) + out[b:])
    if kind == 7:
        a, b = sorted(int(v) for v in rng.integers(0, len(out), 2))
        return "piece lost", bytes(out[:a] + out[b:])
    if kind == 8:
        return "junk behind", bytes(out) + rng.bytes(int(rng.integers(1, 200_000)))
    a, b = sorted(int(v) for v in rng.integers(0, len(out), 2))
    return "junk within", bytes(out[:a]) + rng.bytes(b - a) + bytes(out[b:])


class TooSlow(BaseException):
    """Not an Exception: no handler for faults of a file may swallow it."""


def _alarm(*_):
    raise TooSlow


def _memory(field):
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith(field):
            return int(line.split()[1]) * 1024
    raise RuntimeError(field)


def _hear(path):
    recording = read_recording(path)
    if not np.all(np.isfinite(recording.samples)):
        raise AssertionError("samples that are not finite")
    notes = hear_notes(recording).notes
    if not all(0.0 <= n.onset_s < n.offset_s and 0.0 < n.frequency_hz < 2e4 for n in notes):
        raise AssertionError(f"impossible notes {notes}")
    hear_file(path)
    return f"{len(notes)} notes"


def _say(**words):
    sys.stdout.write(json.dumps(words) + "\n")
    sys.stdout.flush()


def main(folder, first, count):
    """Damage and hear files `first` to `first + count - 1`; the damage depends on the number alone."""
    files = write_sources(folder)
    for name in files:  # everything is loaded and compiled before memory is counted
        _say(source=name, result=_hear(folder / name))
    base, resident = _memory("VmSize:"), _memory("VmRSS:")
    signal.signal(signal.SIGPROF, _alarm)
    # A second line: the address space itself ends a little beyond what is allowed.
    resource.setrlimit(resource.RLIMIT_AS, (base + 2 * EXTRA_BYTES, resource.RLIM_INFINITY))
    for number in range(first, first + count):
        name = list(files)[number % len(files)]
        kind, data = damage(files[name], np.random.default_rng([19, number]))
        path = folder / f"damaged-{number}{Path(name).suffix}"
        path.write_bytes(data)
        _say(number=number, name=name, damage=kind)
        start = time.process_time()
        signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
        try:
            result, fault = _hear(path), ""
        except RecordingError as error:
            result, fault = "refused", "" if str(path) in str(error) and "\n" not in str(error) else f"says {error}"
        except (Exception, TooSlow) as error:
            result, fault = "fault", f"{type(error).__name__}: {error}"
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0.0)
        # The peak since the process began: too much rather than too little.
        took_s, extra = time.process_time() - start, _memory("VmHWM:") - resident
        path.unlink()
        _say(number=number, result=result, fault=fault, took_s=took_s, extra_bytes=extra)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
