"""Breath, voicing and sound from the command line, and what listening says of that sound."""

import json
import re
import sys

import pytest

from fluewright.cli import main
from fluewright.instrument.starting import starting_models


@pytest.fixture
def say(monkeypatch, capsys):
    def run(*words):
        monkeypatch.setattr(sys, "argv", ["fluewright", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        return ended.value.code or 0, out, err

    return run


def changed(say, tmp_path, **sizes):
    """Return a model file with sizes of the head changed."""
    path = tmp_path / "changed.toml"
    path.unlink(missing_ok=True)
    assert say("new", "d5-cylinder", path)[0] == 0
    text = path.read_text()
    for key, value in sizes.items():
        lines = text.split("\n")
        (at,) = [i for i, line in enumerate(lines) if line.split("=")[0].strip() == key]
        lines[at] = f"{key} = {value}"
        text = "\n".join(lines)
    path.write_text(text)
    return path


def test_every_note_has_its_breath(say, tmp_path):
    plot = tmp_path / "b.svg"
    code, out, _ = say("blow", "d5-cylinder", "--json", "--plot", plot)
    assert code == 0
    data = json.loads(out)
    notes = {(n["note"], n["register"]): n for n in data["notes"]}
    low = notes[("D5", 1)]
    assert low["onset_pa"] <= low["lowest_pa"] < low["in_tune_pa"] < low["highest_pa"]
    assert low["fall_back_pa"] < low["highest_pa"]
    assert 20 < low["onset_pa"] < 150
    assert low["frequencies_hz"] == sorted(low["frequencies_hz"])
    assert 1.5 < data["breath"]["exponent"] < 2.3
    assert len(data["octaves"]) == 6
    assert plot.read_text().startswith("<svg")
    code, out, _ = say("blow", "d5-cylinder", "--note", "D5", "--no-jumps")
    assert code == 0
    assert "D5" in out
    assert "E5 " not in out


def test_what_is_heard_is_what_was_predicted(say, tmp_path):
    data = json.loads(say("blow", "d5-cylinder", "--json", "--note", "G5")[1])
    want = data["notes"][0]
    path = tmp_path / "g.wav"
    assert say("hear", "d5-cylinder", "--note", "G5", "-o", path)[0] == 0
    code, out, _ = say("listen", path, "--model", "d5-cylinder", "--json", "--tone", "--plot", tmp_path / "p")
    heard = json.loads(out)
    assert code == 0
    (note,) = heard["notes"]
    assert note["note"] == "G5"
    assert note["cents"] == pytest.approx(want["planned_cents"], abs=1.0)
    assert "not heard" in heard["remarks"][0]
    assert heard["tones"][0]["rise_s"] < 0.1
    assert heard["level"]["loudness_lufs"] < 0
    made = sorted(p.name for p in (tmp_path / "p").iterdir())
    assert made == ["attack-01-G5.svg", "cents.svg", "spectrogram.svg"]


def test_a_swell_jumps_up_and_falls_back_at_a_lower_breath(say, tmp_path):
    low = json.loads(say("blow", "d5-cylinder", "--json", "--note", "D5")[1])["notes"][0]
    path = tmp_path / "swell.flac"
    assert say("hear", "d5-cylinder", "--swell", "D5", "--from", 100, "--to", 500, "--seconds", 16, "-o", path)[0] == 0
    readings = []
    for k in range(17):
        share = 1 - abs(k / 8 - 1)
        readings += ["--breath", f"{k}={100 * 5**share:.1f}"]
    code, out, _ = say("listen", path, "--swell", "--json", *readings)
    assert code == 0
    up, down = json.loads(out)["swell"]["jumps"]
    assert up["up"]
    assert not down["up"]
    assert up["after_hz"] / up["before_hz"] == pytest.approx(2.0, rel=0.02)
    assert down["pressure_pa"] < up["pressure_pa"]
    # A breath that moves is late at the jump: within the sixth that so quick a swell leaves.
    assert low["highest_pa"] < up["pressure_pa"] < 1.17 * low["highest_pa"]
    assert down["pressure_pa"] == pytest.approx(low["fall_back_pa"], rel=0.10)


def test_voicing_says_what_each_step_does(say):
    code, out, _ = say("voicing", "d5-cylinder", "--json")
    assert code == 0
    found = {a["key"]: {e["quantity"]: e for e in a["effects"]} for a in json.loads(out)["adjustments"]}
    assert not any(a["reason"] for a in json.loads(out)["adjustments"])
    # Directions of docs/physics/jet.md#voicing-changes.
    assert found["window-longer"]["onset-low"]["value"] > 0
    assert found["window-longer"]["pitch-low"]["value"] > 0
    assert found["windway-higher"]["onset-low"]["value"] < 0
    assert found["windway-higher"]["air"]["value"] > 0
    assert found["windway-higher"]["attack"]["value"] > 0
    assert found["windway-lower"]["attack"]["value"] < 0
    assert found["edge-outward"]["attack"]["value"] > 0
    assert found["ears-lower"]["pitch-low"]["value"] > 0
    assert found["windway-taper"]["jump"]["value"] < 0
    assert found["lower-chamfer"]["hiss"]["evidence"] == "practice"
    code, out, _ = say("voicing", "d5-cylinder")
    assert code == 0
    assert "CANNOT BE UNDONE" in out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("hear", "d5-cylinder", "--note", "Z5", "-o", "x.wav"), "--note 'Z5'"),
        (("hear", "d5-cylinder", "--note", "A5", "--breath", 0, "-o", "x.wav"), "will not sound at 0 Pa"),
        (("hear", "d5-cylinder", "--note", "A5", "--breath", 1e6, "-o", "x.wav"), "will not sound at 1e"),
        (("hear", "d5-cylinder", "--note", "A5", "--breath", "nan", "-o", "x.wav"), "will not sound at nan"),
        (("hear", "d5-cylinder", "-o", "x.mp3"), ".wav or .flac"),
        (("hear", "d5-cylinder", "--scale", "--swell", "D5", "-o", "x.wav"), "choose one"),
        (("hear", "d5-cylinder", "--seconds", 1e9, "-o", "x.wav"), "--seconds"),
        (("hear", "d5-cylinder", "--swell", "D5", "--from", 500, "--to", 100, "-o", "x.wav"), "swell"),
        (("hear", "d5-cylinder", "--octave", "B6", "-o", "x.wav"), "B6"),
        (("hear", "d5-cylinder", "-o", "/nowhere/x.wav"), "/nowhere/x.wav"),
        (("blow", "d5-cylinder", "--note", "C2"), "C2"),
        (("blow", "d5-cylinder", "--theme", "pink"), "--theme"),
        (("blow", "nothing-there"), "nothing-there"),
        (("listen", "x.wav", "--breath", "1=2", "--breath-log", "y.csv"), "together"),
    ],
)
def test_bad_wishes_get_one_message(say, words, told, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, _, err = say(*words)
    assert code == 2
    assert told in err
    assert "Traceback" not in err
    assert not list(tmp_path.glob("x.*"))


@pytest.mark.parametrize(
    ("sizes", "told"),
    [
        ({"exit_height_mm": 0.1, "entry_height_mm": 0.1, "edge_offset_mm": -0.05}, "as good as closed"),
        ({"block_depth_mm": 4.2}, "covers the window"),
        ({"edge_offset_mm": 1.5}, "outside the jet"),
    ],
)
def test_heads_that_cannot_sound_say_why(say, tmp_path, sizes, told):
    path = changed(say, tmp_path, **sizes)
    for verb in (("blow", path), ("hear", path, "-o", tmp_path / "x.wav"), ("voicing", path)):
        code, _, err = say(*verb)
        assert code == 2
        assert "will not sound" in err
        assert told in err


def test_a_windway_that_lets_no_breath_through_is_told_in_json(monkeypatch, capsys, tmp_path):
    """No flow is known of a slit 3 micrometres wide: the JSON says null, and is not left out for a NaN."""
    text = starting_models()["c5-taper"].read_text(encoding="utf-8")
    slit = re.sub(r"(?m)^width_mm = .*$", "width_mm = 0.003", text, count=1)
    assert slit != text
    path = tmp_path / "slit.toml"
    path.write_text(slit, encoding="utf-8")
    monkeypatch.setattr(sys, "argv", ["fluewright", "blow", str(path), "--json", "--no-jumps"])
    with pytest.raises(SystemExit) as ended:
        main()
    assert not ended.value.code
    notes = json.loads(capsys.readouterr().out)["notes"]
    assert {note["flow_l_per_min"] for note in notes} == {None}
