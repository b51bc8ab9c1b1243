import contextlib
import hashlib
import os
import struct
import subprocess
import sys

import numpy as np
import pytest
import soundfile
from listening_tones import RATE_HZ, silence, tone

from attack.fault_layer import faulty_environment
from fluewright.errors import RecordingError
from fluewright.listening import hear_notes, read_recording, survey, write_recording

SOUND = tone(587.33, 0.3)


@pytest.mark.parametrize("suffix", [".wav", ".flac"])
def test_what_is_written_is_read_back_to_24_bits(tmp_path, suffix):
    path = tmp_path / f"note{suffix}"
    write_recording(path, SOUND, RATE_HZ)
    heard = read_recording(path)
    assert heard.samples == pytest.approx(SOUND, abs=2**-23)
    assert heard.samples.dtype == np.float64
    assert not heard.samples.flags.writeable
    assert (heard.rate_hz, heard.channels, heard.duration_s) == (48_000.0, 1, pytest.approx(0.3))
    assert heard.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert heard.warnings == ()


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_32", "FLOAT", "DOUBLE"])
def test_other_sample_kinds_are_read(tmp_path, subtype):
    soundfile.write(tmp_path / "a.wav", SOUND, RATE_HZ, subtype=subtype)
    assert read_recording(tmp_path / "a.wav").samples == pytest.approx(SOUND, abs=2**-15)


def refused(path, match):
    with pytest.raises(RecordingError, match=match):
        read_recording(path)


def test_files_that_are_no_recordings_are_refused_with_the_reason(tmp_path):
    refused(tmp_path / "none.wav", "no such file")
    refused(tmp_path, "is a folder")
    refused(tmp_path / "a\0b.wav", "cannot be read")
    (tmp_path / "empty.wav").touch()
    refused(tmp_path / "empty.wav", "is empty")
    for name in ("text.wav", "text.raw", "text"):
        (tmp_path / name).write_text("these are words and no sound\n" * 50)
        refused(tmp_path / name, "not a sound file")
    os.mkfifo(tmp_path / "pipe.wav")
    refused(tmp_path / "pipe.wav", "not an ordinary file")


def test_no_permission_is_said(tmp_path, monkeypatch):
    path = tmp_path / "mine.wav"
    write_recording(path, SOUND, RATE_HZ)
    path.chmod(0)
    if os.access(path, os.R_OK):  # the superuser may read everything: let the system's answer come from here

        def deny(*_args, **_more):
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr(type(path), "open", deny)
    refused(path, "no permission")


def test_numbers_that_are_no_sound_are_refused_with_their_place(tmp_path):
    for value in (np.nan, np.inf, -np.inf, 1e30):
        bad = SOUND.copy()
        bad[4800] = value
        soundfile.write(tmp_path / "bad.wav", bad, RATE_HZ, subtype="FLOAT")
        refused(tmp_path / "bad.wav", r"at 0\.100 s")


def test_too_short_and_odd_rates_are_refused(tmp_path):
    soundfile.write(tmp_path / "short.wav", SOUND[:2000], RATE_HZ)
    refused(tmp_path / "short.wav", r"41\.7 ms, shorter than the 50 ms")
    soundfile.write(tmp_path / "slow.wav", SOUND, 4000)
    refused(tmp_path / "slow.wav", "4000 samples a second, outside 8000 to 768000")
    soundfile.write(tmp_path / "fast.wav", SOUND, 1_000_000)
    refused(tmp_path / "fast.wav", "1000000 samples a second")


def test_too_long_is_refused_by_header_and_by_the_real_stream(tmp_path, monkeypatch):
    write_recording(tmp_path / "long.flac", silence(3.0), RATE_HZ)
    monkeypatch.setattr(survey, "LONGEST_S", 2.0)
    refused(tmp_path / "long.flac", r"3 s or more, above the limit of 2 s")
    # FLAC may leave the length unknown (36 bits of the first block): then only the stream tells.
    data = bytearray((tmp_path / "long.flac").read_bytes())
    data[21] &= 0xF0
    data[22:26] = bytes(4)
    (tmp_path / "unknown.flac").write_bytes(data)
    refused(tmp_path / "unknown.flac", "above the limit of 2 s")


@pytest.mark.parametrize("suffix", [".wav", ".flac"])
def test_a_file_cut_short_gives_what_is_there_and_a_warning(tmp_path, suffix):
    path = tmp_path / f"cut{suffix}"
    write_recording(path, with_hiss(2.0), RATE_HZ)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    heard = read_recording(path)
    assert 0.5 < heard.duration_s < 1.1
    assert "cut short" in heard.warnings[0]


def with_hiss(duration_s):
    count = round(duration_s * RATE_HZ)
    return 0.1 * np.sin(0.07 * np.arange(count)) + 0.01 * np.random.default_rng(10).standard_normal(count)


def test_clipping_is_reported_with_its_share(tmp_path):
    loud = np.clip(2.0 * np.sin(2 * np.pi * 500 * np.arange(RATE_HZ) / RATE_HZ), -1, 1 - 2**-23)
    write_recording(tmp_path / "loud.wav", loud, RATE_HZ)
    warning = read_recording(tmp_path / "loud.wav").warnings[0]
    share = float(warning.split(": ")[1].split(" %")[0])
    # |2 sin x| >= 1 for two thirds of the time.
    assert share == pytest.approx(200 / 3, abs=3)
    full = (1 - 2**-23) * np.sin(2 * np.pi * 440 * np.arange(RATE_HZ) / RATE_HZ)
    write_recording(tmp_path / "full.wav", full, RATE_HZ)
    assert read_recording(tmp_path / "full.wav").warnings == ()


def test_offset_is_reported(tmp_path):
    write_recording(tmp_path / "dc.wav", SOUND + 0.05, RATE_HZ)
    assert "+5.00 % of full scale" in read_recording(tmp_path / "dc.wav").warnings[0]


@pytest.mark.parametrize(
    ("right", "words"), [(-SOUND, "inverted"), (0.0 * SOUND, "channel 2 of 2 is dead"), (SOUND, None)]
)
def test_stereo_is_mixed_without_loss(tmp_path, right, words):
    soundfile.write(tmp_path / "two.wav", np.stack([SOUND, right], axis=1), RATE_HZ, subtype="PCM_24")
    heard = read_recording(tmp_path / "two.wav")
    assert heard.channels == 2
    assert heard.samples == pytest.approx(SOUND, abs=2**-22)
    if words is None:
        assert heard.warnings == ()
    else:
        assert words in heard.warnings[0]


def test_writing_refuses_what_would_not_come_back(tmp_path):
    for arguments in (
        ("a.mp3", SOUND, 48_000),
        ("a.wav", 9 * SOUND, 48_000),
        ("a.wav", SOUND * np.nan, 48_000),
        ("a.wav", SOUND[:, None], 48_000),
        ("a.wav", SOUND[:0], 48_000),
        ("a.wav", SOUND, 44_100.5),
        ("a.flac", SOUND, 768_000),
        ("missing/a.wav", SOUND, 48_000),
    ):
        with pytest.raises(RecordingError):
            write_recording(tmp_path / arguments[0], *arguments[1:])
    assert list(tmp_path.iterdir()) == []


def mutations(data, rng):
    """Damage a file: flipped bytes anywhere or in the header, cuts, lies about lengths, repeated pieces."""
    kind = rng.integers(6)
    out = bytearray(data)
    if kind == 0:
        for place in rng.integers(0, len(out), rng.integers(1, 30)):
            out[place] = rng.integers(256)
    elif kind == 1:
        for place in rng.integers(0, 64, rng.integers(1, 6)):
            out[place] = rng.integers(256)
    elif kind == 2:
        del out[rng.integers(0, len(out)) :]
    elif kind == 3:
        place = int(rng.integers(4, 48))
        out[place : place + 4] = struct.pack("<I", int(rng.choice([0, 1, 0x7FFFFFFF, 0xFFFFFFFF, 2**24])))
    elif kind == 4:
        a, b = sorted(rng.integers(0, len(out), 2))
        out[a:a] = out[a:b]
    else:
        a, b = sorted(rng.integers(0, len(out), 2))
        del out[a:b]
    return bytes(out)


def test_damaged_files_give_a_recording_error_or_a_result(tmp_path):
    rng = np.random.default_rng(11)
    sources = []
    for name, subtype in (("a.wav", "PCM_24"), ("b.wav", "FLOAT"), ("c.flac", "PCM_16")):
        soundfile.write(tmp_path / name, np.stack([SOUND, 0.5 * SOUND], axis=1), RATE_HZ, subtype=subtype)
        sources.append((name, (tmp_path / name).read_bytes()))
    read = 0
    for index in range(210):
        name, data = sources[index % 3]
        path = tmp_path / f"damaged-{name}"
        path.write_bytes(mutations(data, rng))
        heard = None
        with contextlib.suppress(RecordingError):  # any other exception fails the test
            heard = read_recording(path)
            hear_notes(heard)
        if heard is not None:
            read += 1
            assert heard.samples.size <= 60_000_000
            assert np.all(np.isfinite(heard.samples))
    assert 20 < read < 205


@pytest.mark.parametrize("name", ["a.wav", "a.flac"])
def test_on_a_full_disk_no_part_of_a_recording_is_left(tmp_path, name):
    """In a program of its own, whose disk is full after 20 kB."""
    (tmp_path / name).write_bytes(b"an older one")
    program = (
        "import sys, numpy as np\n"
        "from pathlib import Path\n"
        "from fluewright.errors import RecordingError\n"
        "from fluewright.listening import write_recording\n"
        "try:\n"
        "    write_recording(Path(sys.argv[1]), 0.1 * np.random.default_rng(1).standard_normal(44100), 44100)\n"
        "except RecordingError as error:\n"
        "    sys.exit(f'refused: {error}')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, tmp_path / name], env=faulty_environment(tmp_path, full=20_000),
        capture_output=True, text=True, timeout=300,
    )  # fmt: skip
    assert "refused: " in done.stderr
    assert [one.name for one in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_bytes() == b"an older one"
