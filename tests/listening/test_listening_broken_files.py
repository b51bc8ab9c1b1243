"""No sound file, however broken, does more than be refused by name or be heard in part."""

import json
import os
import struct
import subprocess
import sys
from collections import Counter
from contextlib import contextmanager
from pathlib import Path

import damaged_files
import numpy as np
import pytest
import soundfile
from listening_tones import RATE_HZ, silence, tone

from fluewright.cli import main
from fluewright.errors import RecordingError
from fluewright.listening import hear_notes, read_recording

D5_HZ = 587.33
SOUND = np.concatenate([silence(0.2), tone(D5_HZ, 0.5), silence(0.2)])
SOUND[:] += 1e-4 * np.random.default_rng(21).standard_normal(len(SOUND))


@pytest.mark.parametrize("count", [600, pytest.param(2000, marks=pytest.mark.long)])
def test_damaged_files_are_refused_by_name_or_heard(tmp_path, count):
    """In a process of its own, in bounded time and memory; the damage depends on the file's number alone."""
    script = Path(damaged_files.__file__)
    ended = subprocess.run(
        [sys.executable, script, tmp_path, "0", str(count)], capture_output=True, text=True, timeout=3600, check=False
    )
    lines = [json.loads(line) for line in ended.stdout.splitlines()]
    # After a crash the last line names the file that did it.
    assert ended.returncode == 0, (lines[-1:], ended.stderr[-2000:])
    begun = {line["number"]: line for line in lines if "damage" in line}
    done = [line for line in lines if "fault" in line]
    assert [line["number"] for line in done] == list(range(count))
    assert [(begun[d["number"]], d["fault"]) for d in done if d["fault"]] == []
    assert max(d["took_s"] for d in done) < damaged_files.LONGEST_S
    assert max(d["extra_bytes"] for d in done) < damaged_files.EXTRA_BYTES
    refused = Counter(begun[d["number"]]["name"] for d in done if d["result"] == "refused")
    heard = Counter(begun[d["number"]]["name"] for d in done if d["result"] != "refused")
    print(
        f"\nrefused {dict(refused)}, heard {dict(heard)}; slowest {max(d['took_s'] for d in done):.2f} s,"
        f" most memory {max(d['extra_bytes'] for d in done) / 2**20:.0f} MiB"
    )
    for name, *_ in damaged_files.SOURCES:  # damage that spares nothing, or nothing but harmless damage, proves little
        assert refused[name] >= count // 70
        assert heard[name] >= count // 70


@pytest.fixture
def listen(monkeypatch, capsys):
    """Run `fluewright listen FILE` and return exit code, output and messages."""

    def run(path):
        monkeypatch.setattr(sys, "argv", ["fluewright", "listen", str(path)])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return ended.value.code or 0, out, err

    return run


def wave_bytes(data=SOUND, rate_hz=RATE_HZ, subtype="PCM_16", folder=None):
    path = folder / "made.wav"
    soundfile.write(path, data, rate_hz, subtype=subtype)
    raw = path.read_bytes()
    path.unlink()
    return raw


def with_value(value):
    data = SOUND.copy()
    data[12_000] = value
    return data


REFUSED = {
    "empty": (lambda _: b"", "is empty (0 bytes)"),
    "header only": (lambda f: wave_bytes(folder=f)[:44], "no sound could be read"),
    "half a header": (lambda f: wave_bytes(folder=f)[:20], "not a sound file"),
    "text": (lambda _: b"these are words and no sound\n" * 100, "not a sound file"),
    "not a number": (lambda f: wave_bytes(with_value(np.nan), subtype="FLOAT", folder=f), "at 0.250 s a sample"),
    "infinite": (lambda f: wave_bytes(with_value(-np.inf), subtype="FLOAT", folder=f), "at 0.250 s a sample"),
    "one sample": (lambda f: wave_bytes(SOUND[:1], folder=f), "shorter than the 50 ms"),
    "above 768 kHz": (lambda f: wave_bytes(SOUND, 1_536_000, folder=f), "1536000 samples a second"),
    "one sample a second": (lambda f: wave_bytes(SOUND, 1, folder=f), "1 samples a second"),
    "65 channels": (lambda f: wave_bytes(np.tile(SOUND[:, None], 65), folder=f), "65 channels, more than 64"),
    "ogg cut in its header": (lambda _: b"OggS" + bytes(60), "not a sound file"),
    "flac cut in its header": (lambda _: b"fLaC" + bytes(20), "not a sound file"),
}


@pytest.mark.parametrize("kind", list(REFUSED))
def test_a_broken_file_is_refused_with_its_name_and_the_reason(listen, tmp_path, kind):
    make, says = REFUSED[kind]
    path = tmp_path / "take.wav"
    path.write_bytes(make(tmp_path))
    code, out, err = listen(path)
    assert code == 2
    assert out == ""
    assert str(path) in err
    assert says in err
    assert err.count("\n") == 1


def test_what_is_no_file_is_refused_with_its_name_and_the_reason(listen, tmp_path):
    os.mkfifo(tmp_path / "pipe.wav")
    (tmp_path / "loop.wav").symlink_to(tmp_path / "pool.wav")
    (tmp_path / "pool.wav").symlink_to(tmp_path / "loop.wav")
    (tmp_path / "nowhere.wav").symlink_to(tmp_path / "gone.wav")
    (tmp_path / "folder.wav").mkdir()
    (tmp_path / "file").write_bytes(b"x")
    for name, says in (
        ("pipe.wav", "not an ordinary file"),
        ("loop.wav", "cannot be read"),
        ("nowhere.wav", "no such file"),
        ("folder.wav", "is a folder"),
        ("file/inside.wav", "cannot be read"),
        (f"{'a' * 300}.wav", "cannot be read"),
    ):
        code, out, err = listen(tmp_path / name)
        assert (code, out) == (2, "")
        assert str(tmp_path / name) in err
        assert says in err
    code, _, err = listen("/dev/null")
    assert code == 2
    assert "/dev/null is not an ordinary file" in err


@contextmanager
def as_nobody():
    """Give up the superuser's right to read everything for a while; others have no such right."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65_534)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.mark.parametrize("what", ["file", "folder"])
def test_a_file_or_folder_without_permission_is_said(listen, tmp_path, what):
    folder = tmp_path / "mine"
    folder.mkdir()
    path = folder / "take.wav"
    path.write_bytes(wave_bytes(folder=tmp_path))
    assert listen(path)[0] == 0  # and everything that a run needs is loaded
    closed = path if what == "file" else folder
    closed.chmod(0)
    try:
        with as_nobody():
            code, out, err = listen(path)
            with pytest.raises(RecordingError, match="no permission"):
                read_recording(path)
    finally:
        closed.chmod(0o755)
    assert (code, out) == (2, "")
    assert f"{path}: no permission to read it" in err


ODD_NAMES = [
    "ünï ♪ 笛.wav",
    " .wav",
    "[red]take[1].wav",
    "[bold]%s{0}[.wav",
    "tab\there.wav",
    "'\"`$;&|.wav",
    "a" * 240 + ".wav",
]


@pytest.mark.parametrize("name", ODD_NAMES)
def test_a_name_with_odd_characters_is_read_and_said(listen, tmp_path, name):
    path = tmp_path / name
    path.write_bytes(wave_bytes(folder=tmp_path))
    code, out, _ = listen(path)
    assert code == 0
    assert "D5" in out
    assert name.split("\t")[0].strip()[:40] in out.replace("\n", "")  # a tab is shown as spaces
    path.write_bytes(b"words")
    code, out, err = listen(path)
    assert (code, out) == (2, "")
    assert str(path) in err


def test_a_name_that_is_no_text_is_refused_or_read_without_a_traceback(tmp_path):
    """A name in another encoding reaches the program as bytes that no text can hold."""
    path = os.fsencode(tmp_path) + b"/fl\xfcte.wav"
    Path(os.fsdecode(path)).write_bytes(wave_bytes(folder=tmp_path))
    program = Path(sys.executable).with_name("fluewright")
    ended = subprocess.run([program, "listen", path], capture_output=True, check=False)
    assert ended.returncode in (0, 2)
    assert b"Traceback" not in ended.stderr
    if ended.returncode:
        assert os.fsencode(tmp_path) in ended.stderr


def lying(length, folder):
    raw = bytearray(wave_bytes(folder=folder))
    place = raw.index(b"data") + 4
    raw[place : place + 4] = struct.pack("<I", length)
    return bytes(raw)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda f: wave_bytes(folder=f)[: 44 + 2 * 30_000], "cut short"),
        (lambda f: lying(40 * RATE_HZ, f), "cut short"),
        (lambda f: lying(0x7FFF_FFFF, f), None),
        (lambda f: lying(0xFFFF_FFFF, f), None),
        (lambda f: wave_bytes(np.repeat(SOUND, 16), 768_000, folder=f), None),
        (lambda f: wave_bytes(np.tile(SOUND[:, None], 32), folder=f), None),
        (lambda f: wave_bytes(np.stack([SOUND, 0.0 * SOUND], axis=1), folder=f), "channel 2 of 2 is dead"),
    ],
    ids=["truncated", "lying", "length of a pipe", "length unknown", "768 kHz", "32 channels", "dead channel"],
)
def test_what_can_be_heard_in_an_odd_file_is_heard(listen, tmp_path, make, says):
    path = tmp_path / "take.wav"
    path.write_bytes(make(tmp_path))
    code, out, err = listen(path)
    assert code == 0
    assert "D5" in out
    if says is None:
        assert err == ""
    else:
        assert says in err
        assert str(path) in err
    heard = hear_notes(read_recording(path)).notes
    assert [n.frequency_hz for n in heard] == pytest.approx([D5_HZ], rel=5e-5)


def test_a_file_that_names_no_length_to_begin_with_is_not_read_for_ever(listen, tmp_path):
    path = tmp_path / "take.wav"
    path.write_bytes(lying(0, tmp_path))
    code, _, err = listen(path)
    assert code == 2
    assert "no sound could be read" in err


@pytest.mark.parametrize(
    ("name", "kind", "subtype"),
    [
        ("a.ogg", "OGG", "VORBIS"),
        ("a.opus", "OGG", "OPUS"),
        ("a.mp3", "MP3", "MPEG_LAYER_III"),
        ("a.flac", "FLAC", None),
    ],
)
def test_compressed_recordings_are_heard_at_the_same_pitch_and_time(listen, tmp_path, name, kind, subtype):
    path = tmp_path / name
    soundfile.write(path, SOUND, RATE_HZ, format=kind, subtype=subtype)
    code, out, err = listen(path)
    assert code == 0
    assert "D5" in out
    assert err == ""
    (note,) = hear_notes(read_recording(path)).notes
    assert abs(1200 * np.log2(note.frequency_hz / D5_HZ)) < 0.05
    assert note.onset_s == pytest.approx(0.2, abs=0.010)
    assert note.offset_s == pytest.approx(0.7, abs=0.010)


def test_the_message_names_every_usual_kind(tmp_path):
    (tmp_path / "a.txt").write_text("words", encoding="utf-8")
    with pytest.raises(RecordingError, match="Use WAV, FLAC, OGG or MP3"):
        read_recording(tmp_path / "a.txt")
