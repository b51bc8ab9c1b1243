"""Every verb as a maker uses it, from the model to the ledger."""

import json
import logging
import math
import os
import subprocess
import sys

import numpy as np
import pytest

from fluewright.acoustics.range_notes import RangeNote
from fluewright.cli import main
from fluewright.cli.printing import print_table, warn_ranges
from fluewright.demo.sound import play
from fluewright.instrument.sizes import size_words
from fluewright.listening import write_recording

COMMAND = [sys.executable, "-c", "from fluewright.cli import main; main()"]


@pytest.fixture
def say(monkeypatch, capsys):
    def run(*words):
        monkeypatch.setattr(sys, "argv", ["fluewright", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        return ended.value.code or 0, out, err

    return run


def refuse_constant(name):
    raise AssertionError(f"{name} is not JSON")


def strict(text):
    found = json.loads(text, parse_constant=refuse_constant)
    assert isinstance(found, dict)
    return found


@pytest.fixture
def flat(say):
    """Return a writer of recordings of the model, 15 cents flat and each note once."""

    def record(path, seed, cents=-15.0, factor=1.0):
        notes = strict(say("predict", "d5-cylinder", "--json")[1])["notes"]
        first = {}
        for n in notes:
            first.setdefault((n["note"], n["register"]), n["frequency_hz"])
        hz = [f * factor * 2.0 ** (cents / 1200.0) for f in first.values()]
        write_recording(path, play(hz, note_s=0.4, rng=np.random.default_rng(seed)), 44100)
        return hz

    return record


def test_starting_models_are_listed_whole(say):
    code, out, _ = say("models")
    assert code == 0
    names = [m["name"] for m in strict(say("models", "--json")[1])["models"]]
    assert "d5-cylinder" in names
    assert all(name in out for name in names)
    assert "…" not in out


def test_new_model_is_a_copy_that_checks_good(say, tmp_path):
    path = tmp_path / "mine.toml"
    assert say("new", "d5-cylinder", path)[0] == 0
    assert say("check", path) == (0, f"{path}: good, 0 warnings\n", "")
    code, _, err = say("new", "c5-taper", path)
    assert code == 2
    assert "--force" in err
    assert say("new", "c5-taper", path, "--force")[0] == 0
    assert "c5-taper" in path.read_text()
    assert [p.name for p in tmp_path.iterdir()] == ["mine.toml"]


def test_schema_is_json(say, tmp_path):
    path = tmp_path / "schema.json"
    assert say("check", "--write-schema", path)[0] == 0
    assert strict(path.read_text())["title"] == "fluewright model"


def test_predict_says_every_note_in_strict_json(say, tmp_path):
    svg = tmp_path / "chart.svg"
    code, out, _ = say("predict", "d5-cylinder", "--json", "--plot", svg)
    data = strict(out)
    assert code == 0
    assert len(data["notes"]) == 14
    for note in data["notes"]:
        assert {
            "note", "register", "fingering", "frequency_hz", "target_hz", "cents", "uncertainty_cents",
        } <= note.keys()  # fmt: skip
        assert note["cents"] == pytest.approx(1200.0 * np.log2(note["frequency_hz"] / note["target_hz"]), abs=1e-6)
        assert note["uncertainty_cents"] > 0.0
    assert svg.read_text().startswith("<svg") or "<svg" in svg.read_text()[:400]
    table = say("predict", "d5-cylinder")[1]
    assert all(f"{n['frequency_hz']:.2f}" in table for n in data["notes"])


def test_fit_comes_nearer_and_keeps_the_comments(say, tmp_path):
    path = tmp_path / "fitted.toml"
    code, out, _ = say("fit", "d5-cylinder", "--a4-hz", 442, "-o", path, "--json")
    data = strict(out)
    assert code == 0
    assert data["file"] == str(path)
    assert data["changed"]
    assert "# one drill, one reamer" in path.read_text()
    notes = strict(say("predict", path, "--json")[1])
    assert notes["a4_hz"] == 442
    assert max(abs(n["cents"]) for n in notes["notes"]) < 20.0


def test_listen_hears_what_was_played(say, flat, tmp_path):
    path = tmp_path / "a.wav"
    hz = flat(path, 1)
    code, out, err = say("listen", path, "--json")
    data = strict(out)
    assert code == 0
    assert err == ""
    assert len(data["notes"]) == len(hz)
    for heard, true in zip(data["notes"], hz, strict=True):
        assert {
            "onset_s", "offset_s", "frequency_hz", "frequency_uncertainty_hz", "note", "cents",
        } <= heard.keys()  # fmt: skip
        assert heard["onset_s"] < heard["offset_s"]
        assert abs(1200.0 * np.log2(heard["frequency_hz"] / true)) < 1.5
    assert data["notes"][0]["note"] == "D5"
    assert "D5" in say("listen", path, "--model", "d5-cylinder")[1]


def test_clipping_is_a_warning_with_the_result(say, tmp_path):
    path = tmp_path / "loud.wav"
    sound = np.clip(20.0 * play([880.0], rng=np.random.default_rng(1)), -1.0, 1.0)
    write_recording(path, sound, 44100)
    code, out, err = say("listen", path, "--json")
    data = strict(out)
    assert code == 0
    assert len(data["notes"]) == 1
    assert err.count("clipped") == 1
    assert [f"warning: {line}" for line in data["warnings"]] == err.splitlines()


def test_silence_is_no_notes_with_a_warning(say, tmp_path):
    path = tmp_path / "silent.wav"
    write_recording(path, np.zeros(44100), 44100)
    code, out, err = say("listen", path, "--json")
    assert code == 0
    assert strict(out)["notes"] == []
    assert "no notes heard" in err
    code, out, err = say("next-cut", "d5-cylinder", path)
    assert (code, out) == (2, "")
    assert "no notes heard" in err
    assert str(path) in err


def test_cold_air_is_no_reason_to_cut(say, flat, tmp_path):
    """Sound is about 1.8 permille slower a degree; notes flat by that much only need a warm room."""
    from fluewright.air import moist_air

    cold = moist_air(10.0, relative_humidity=0.5)
    mild = moist_air(20.0, relative_humidity=0.5)
    path = tmp_path / "cold.wav"
    flat(path, 4, cents=0.0, factor=cold.sound_speed / mild.sound_speed)
    told = strict(say("next-cut", "d5-cylinder", path, "--temperature-c", 10, "--json")[1])
    designed = {
        (n["note"], n["register"]): n["cents"] for n in strict(say("predict", "d5-cylinder", "--json")[1])["notes"]
    }
    off = [abs(n["cents"] - designed[n["note"], n["register"]]) for n in told["notes"] if n["register"] == 1]
    assert max(off) < 8.0
    untold = strict(say("next-cut", "d5-cylinder", path, "--json")[1])
    assert min(n["cents"] for n in untold["notes"] if n["register"] == 1) < -20.0


def test_piece_goes_through_the_ledger(say, flat, tmp_path):
    book = ("--ledger", tmp_path / "shop.ledger")
    assert say("ledger", "add-model", "d5-cylinder", *book)[1] == "d5-cylinder version 1\n"
    assert say("ledger", "add-model", "d5-cylinder", *book)[1] == "d5-cylinder version 1\n"
    serial = say("ledger", "begin", "d5-cylinder", *book, "--prefix", "D5", "--size", "holes.3.diameter_mm=6.5")[1]
    serial = serial.strip()
    assert serial == "D5-0001"
    first, second = tmp_path / "first.wav", tmp_path / "second.wav"
    flat(first, 1)
    flat(second, 2, cents=-13.0)
    piece = (*book, "--serial", serial, "--json")
    code, out, _ = say("next-cut", "d5-cylinder", first, *piece)
    advice = strict(out)
    assert code == 0
    assert advice["state"] == "cut"
    cut = advice["cut"]
    assert 0.0 <= cut["overshoot_chance"] < 0.02
    assert "not counted or logged again" in say("next-cut", "d5-cylinder", first, *piece)[2]
    made = (cut["size"], f"{cut['before_mm']:.3f}", f"{cut['after_mm']:.3f}")
    assert say("ledger", "cut", serial, *made, *book, "--tool", "reamer", "--reason", "flat")[0] == 0
    code, out, _ = say("next-cut", "d5-cylinder", second, *piece)
    assert code == 0
    assert strict(out)["state"] in ("cut", "leave", "finished")
    events = strict(say("ledger", "show", serial, *book, "--json")[1])["events"]
    whats = [e["what"] for e in events]
    assert whats.count("trial") == 2
    assert whats.count("cut") == 1
    assert whats.index("trial") < whats.index("cut") < len(whats) - 1
    table = say("ledger", "show", serial, *book)[1]
    assert size_words(cut["size"]) in table
    built = strict(say("ledger", "show", *book, "--json")[1])["instruments"][0]["as_built"]
    assert built[cut["size"]] == pytest.approx(float(made[2]))
    assert say("ledger", "verify", *book)[0] == 0
    copy, folder = tmp_path / "copy.ledger", tmp_path / "plain"
    assert say("ledger", "backup", copy, *book)[0] == 0
    assert say("ledger", "verify", "--ledger", copy)[0] == 0
    assert say("ledger", "export", folder, *book)[0] == 0
    rows = [json.loads(line) for line in (folder / "events.jsonl").read_text().splitlines()]
    assert len(rows) >= len(events)
    assert (folder / "contents.json").is_file()
    for words, wrong in (
        (("cut", serial, "holes.9.diameter_mm", 5, 6, "--tool", "t", "--reason", "r"), "no such size"),
        (
            ("cut", serial, "holes.3.diameter_mm", 5, 6, "--tool", "t", "--reason", "r"),
            "BEFORE_MM: 5 mm before",
        ),
        (("cut", serial, "holes.3.diameter_mm", 6.5, 6.3, "--tool", "t", "--reason", "r"), "makes this size larger"),
        (("cut", serial, "holes.3.diameter_mm", 6.5, 6.7, "--tool", " ", "--reason", "r"), "--tool: is empty"),
        (("cut", serial, "holes.3.diameter_mm", 6.5, 40, "--tool", "t", "--reason", "r"), "less than the bore"),
        (("begin", "d5-cylinder", "--prefix", "D5", "--size", "holes.9.diameter_mm=5"), "no such size"),
        (("begin", "nothing", "--prefix", "D5"), "nothing"),
        (("show", "D5-0099"), "D5-0099"),
        (("backup", copy), "not overwritten"),
    ):
        code, out, err = say("ledger", *words, *book)
        assert (code, out) == (2, ""), words
        assert wrong in err
    code, _, err = say("next-cut", "f4-taper", second, *piece)
    assert code == 2
    assert "name the model of the piece" in err
    assert strict(say("ledger", "show", serial, *book, "--json")[1])["events"] == events


def test_sheet_is_a_pdf(say, tmp_path):
    path = tmp_path / "sheet.pdf"
    assert say("sheet", "d5-cylinder", "-o", path)[0] == 0
    assert path.read_bytes().startswith(b"%PDF")


def test_version_and_help_end_well(say):
    code, out, _ = say("--version")
    assert code == 0
    assert out.startswith("fluewright ")
    for words in ((), ("predict",), ("ledger",), ("next-cut",)):
        code, out, _ = say(*words, "--help")
        assert code == 0
        assert "Usage" in out


def test_closed_pipe_leaves_no_traceback():
    reader, writer = os.pipe()
    os.close(reader)
    try:
        ended = subprocess.run(
            [*COMMAND, "models", "--json"], stdout=writer, stderr=subprocess.PIPE, text=True, timeout=600
        )
    finally:
        os.close(writer)
    assert ended.returncode == 1
    assert ended.stderr == ""


def test_exit_codes_reach_the_shell(tmp_path):
    bad = subprocess.run([*COMMAND, "check", str(tmp_path / "none.toml")], capture_output=True, text=True, timeout=600)
    assert (bad.returncode, bad.stdout) == (2, "")
    assert "there is no such file" in bad.stderr


def test_resonances_without_losses_and_modes_agree_with_each_other(say):
    free = ("predict", "d5-cylinder", "--json", "--no-wall-losses", "--no-radiation")
    plain = strict(say("predict", "d5-cylinder", "--json", "--modes", "3")[1])
    lossless = strict(say(*free, "--modes", "3")[1])
    assert plain["modes"]["ccc ccc"][0] == pytest.approx(plain["notes"][0]["frequency_hz"])
    assert lossless["notes"][0]["frequency_hz"] > plain["notes"][0]["frequency_hz"]
    warm = strict(say(*free, "--sound-speed", "350")[1])
    cool = strict(say(*free, "--sound-speed", "343")[1])
    ratio = warm["notes"][3]["frequency_hz"] / cool["notes"][3]["frequency_hz"]
    assert ratio == pytest.approx(350 / 343, rel=1e-9)


def quality_column(table):
    """Return the last column of a printed table of notes, which have a register and a fingering."""
    rows = [line.split() for line in table.splitlines()]
    return [row[-1] for row in rows if len(row) > 5 and row[1] in ("1", "2")]


def test_wall_losses_and_radiation_are_left_out_each_by_itself(say):
    """Losses in a tube add up: 1/Q of both is the sum of the parts, but for the little that the pitch moves."""
    found = {
        name: [n["quality"] for n in strict(say("predict", "d5-cylinder", "--json", *switches)[1])["notes"]]
        for name, switches in (
            ("both", ()), ("radiation", ("--no-wall-losses",)), ("walls", ("--no-radiation",)),
            ("none", ("--no-wall-losses", "--no-radiation")),
        )
    }  # fmt: skip
    for both, radiation, walls in zip(found["both"], found["radiation"], found["walls"], strict=True):
        assert both < walls < 200.0 < 1e4
        assert both < radiation < 1e4
        assert 1.0 / both == pytest.approx(1.0 / radiation + 1.0 / walls, rel=0.02)
    # Low notes are damped by the walls, high ones send more away.
    assert found["radiation"][0] > 3.0 * found["walls"][0]
    assert found["none"] == [None] * len(found["both"])


@pytest.mark.parametrize(
    ("switches", "said"),
    [
        ((), "natural resonances at"),
        (("--no-wall-losses",), "natural resonances without wall losses at"),
        (("--no-radiation",), "natural resonances without radiation at"),
        (("--no-wall-losses", "--no-radiation"), "natural resonances without wall losses and radiation at"),
    ],
)
def test_the_table_says_what_was_left_out_and_shows_no_quality_where_nothing_is_lost(say, switches, said):
    code, out, _ = say("predict", "d5-cylinder", *switches)
    assert code == 0
    assert said in out
    shown = quality_column(out)
    assert len(shown) == 14
    if len(switches) == 2:
        assert set(shown) == {"-"}
    else:
        assert all(10.0 < float(q) < 1e4 for q in shown)


def test_help_says_what_each_switch_leaves_out_and_old_ones_are_gone(say):
    told = " ".join(say("predict", "--help")[1].replace("│", " ").split())
    assert "friction and heat exchange at the walls" in told
    assert "the sound that window, holes and foot send away" in told
    for gone in ("--lossless", "--passive"):
        assert gone not in told
        assert say("predict", "d5-cylinder", gone)[0] == 2


def test_both_uncertainties_stand_beside_every_note(say):
    code, out, err = say("predict", "d5-cylinder", "--json")
    assert (code, err) == (0, "")
    data = strict(out)
    assert data["out_of_range"] == data["warnings"] == []
    for note in data["notes"]:
        assert note["from_model_cents"] == pytest.approx(note["uncertainty_cents"])
        assert note["from_dimensions_cents"] > 0.0
        assert [abs(c["cents"]) for c in note["largest"]] == sorted(abs(c["cents"]) for c in note["largest"])[::-1]
    table = say("predict", "d5-cylinder", "--uncertainty")[1]
    assert "+/- model" in table
    assert "+/- sizes" in table
    assert table.count(data["notes"][0]["largest"][0]["size"]) >= 1


def test_formulas_beyond_their_range_are_never_silent(say, tmp_path):
    path = tmp_path / "odd.toml"
    say("new", "d5-cylinder", path)
    path.write_text(path.read_text().replace("ramp_angle_deg = 15.0", "ramp_angle_deg = 60.0"))
    curve = ("impedance", path, "--fingering", "ccc ooo")
    inner = ("standing-wave", path, "--fingering", "ccc ooo", "--at-hz", "700")
    for words in (("predict", path), ("sensitivity", path), ("fit", path), curve, inner):
        code, out, err = say(*words)
        assert code == 0
        assert "warning: head.ramp_angle_deg" in err, words
        assert "warning" not in out
        if words in (curve, inner):
            continue
        code, out, err = say(*words, "--json")
        said = strict(out)["out_of_range"]
        (note,) = [n for n in said if n["key"] == "head.ramp_angle_deg"]
        assert note["value"] == 60.0
        assert note["low"] < note["high"] < 60.0
        assert all(n["key"] in err for n in said)


def test_one_formula_beyond_its_range_at_every_hole_is_one_line(say):
    said = strict(say("fit", "d4-cylinder", "--json")[1])["out_of_range"]
    series = [n for n in said if "series length" in n["formula"]]
    assert len(series) > 2
    lines = [line for line in say("fit", "d4-cylinder")[2].splitlines() if "series length" in line]
    assert len(lines) == 1
    assert all(n["key"] in lines[0] for n in series)


def test_standing_wave_is_written_as_printed(say, tmp_path):
    csv, svg = tmp_path / "w.csv", tmp_path / "w.svg"
    words = ("standing-wave", "d5-cylinder", "--fingering", "ccc ooo")
    code, out, _ = say(*words, "--resonance", 2, "--csv", csv, "--plot", svg)
    assert code == 0
    rows = np.loadtxt(csv, delimiter=",", skiprows=1)
    level = np.hypot(rows[:, 1], rows[:, 2])
    assert level.max() == pytest.approx(1.0)
    assert f"{rows[np.argmax(level), 0]:.1f}" in out
    assert "<svg" in svg.read_text()[:400]
    hz = float(out.split("inside at ")[1].split(" Hz")[0])
    assert f"{hz:.2f}" in say(*words, "--at-hz", hz)[1]
    for wrong in ((), ("--at-hz", "500", "--resonance", "1"), ("--at-hz", "nan"), ("--resonance", "99")):
        assert say(*words, *wrong)[0] == 2
    assert say("standing-wave", "d5-cylinder", "--fingering", "ccc", "--at-hz", "500")[0] == 2


def test_sensitivity_and_impedance_write_what_they_print(say, tmp_path):
    data = strict(say("sensitivity", "d5-cylinder", "--json")[1])
    assert any(s["size"] == "holes.3.diameter_mm" and max(s["cents"]) > 1.0 for s in data["sizes"])
    code, out, _ = say(
        "impedance", "d5-cylinder", "--fingering", "ccc ooo", "--csv", tmp_path / "z.csv", "--plot", tmp_path / "z.svg"
    )
    assert code == 0
    sounding = next(n for n in strict(say("predict", "d5-cylinder", "--json")[1])["notes"] if n["note"] == "G5")
    found = [float(line.split()[1]) for line in out.splitlines() if line.split()[:1] and line.split()[0].isdigit()]
    assert min(abs(hz - sounding["frequency_hz"]) for hz in found) <= 2.0
    assert (tmp_path / "z.csv").read_text().count("\n") == 1952
    assert say("impedance", "d5-cylinder", "--fingering", "ccc")[0] == 2
    assert say("impedance", "d5-cylinder", "--fingering", "ccc ooo", "--step", "0")[0] == 2
    assert say("predict", "d5-cylinder", "--sound-speed", "3")[0] == 2
    assert say("predict", "d5-cylinder", "--modes", "99")[0] == 2


def test_notes_of_one_formula_are_one_warning_that_loses_nothing(capsys):
    """Each key and the least and greatest value are said; another formula or kind of size stays a line by itself."""

    def note(key, value, *, formula="the series length", quantity="t/b_in", low=0.41, high=math.inf, unit=""):
        return RangeNote(formula, key, quantity, value, low, high, unit, "it was not compared there")

    alone = note("conditions.temperature_c", 35.0, formula="the sound speed", low=0.0, high=30.0, unit="C")
    webs = [
        note(f"holes.{b}.position_mm", web, formula="the coupling", quantity=f"web to hole {a} over radius")
        for a, b, web in (("1", "2", 0.3), ("2.a", "3", 0.1))
    ]
    bulges = [
        note("player.finger_bulge", 1.2, formula="the finger", quantity=f"bulge in hole {h}", low=-math.inf, high=limit)
        for h, limit in (("1", 0.8), ("2", 0.9))
    ]
    other = note("holes.1.undercut", 0.2)
    warn_ranges(
        [note("holes.1.diameter_mm", 0.2727), alone, note("holes.2.x.diameter_mm", 0.3333), other, *webs, *bulges,
         note("holes.3.diameter_mm", 0.25)]
    )  # fmt: skip
    out, err = capsys.readouterr()
    assert out == ""
    tail = "; it was not compared there"
    assert err.splitlines() == [
        "warning: holes.1.diameter_mm, holes.2.x.diameter_mm, holes.3.diameter_mm: t/b_in is 0.25 to 0.3333, but the "
        f"series length holds for at least 0.41{tail}",
        f"warning: {alone.text}",
        f"warning: {other.text}",
        "warning: holes.2.position_mm, holes.3.position_mm: web to hole 1, 2.a over radius is 0.1 to 0.3, but the "
        f"coupling holds for at least 0.41{tail}",
        "warning: player.finger_bulge: bulge in hole 1, 2 is 1.2, but the finger holds for at most 0.8 to 0.9" + tail,
    ]


@pytest.mark.parametrize(
    ("cell", "shown"),
    [
        ("-3.2", "−3.2"),
        ("A5 -0.4, B5 -12", "A5 −0.4, B5 −12"),
        ("-0.31±0.20 mm", "−0.31±0.20 mm"),
        ("(-1.0)", "(−1.0)"),
        ("2e-05", "2e−05"),
        ("2026-07-28", "2026-07-28"),
        ("D5-0001", "D5-0001"),
        ("d5-cylinder", "d5-cylinder"),
        ("C-1", "C-1"),
        ("-", "-"),
        ("two-part", "two-part"),
    ],
)
def test_a_minus_in_a_table_is_one_and_a_hyphen_stays(capsys, cell, shown):
    print_table("title -1", ["what", "figure"], [["row", cell]])
    out = capsys.readouterr().out.splitlines()
    assert out[0].strip() == "title −1"
    assert out[-2].split(maxsplit=1)[1].strip() == shown


def test_negative_cents_have_a_minus_sign_on_screen_and_a_hyphen_in_json(say):
    notes = strict(say("predict", "d5-cylinder", "--json")[1])["notes"]
    flat = [f"{n['cents']:+.1f}" for n in notes if n["cents"] < -0.1]
    assert flat
    out = say("predict", "d5-cylinder")[1]
    for figure in flat:
        assert f" {figure.replace('-', '−')} " in out
        assert figure not in out


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_a_pipe_in_an_old_encoding_ends_nothing(tmp_path, encoding):
    """As on Windows: what there is no sign for is replaced in a table, and JSON is whole."""
    ledger = tmp_path / "shop.ledger"

    def said(*words):
        environment = {**os.environ, "PYTHONIOENCODING": encoding}
        ended = subprocess.run([*COMMAND, *words], capture_output=True, env=environment)
        assert ended.returncode == 0, ended.stderr
        return ended.stdout.decode(encoding)

    said("new", "d5-cylinder", tmp_path / "mine.toml")
    said("ledger", "add-model", tmp_path / "mine.toml", "--ledger", ledger)
    said(
        "ledger", "begin", "d5-cylinder", "--prefix", "D5", "--material", "di\u00f3fa \u2212 \u0151", "--ledger", ledger
    )
    assert "D5-0001" in said("ledger", "show", "--ledger", ledger)
    shown = strict(said("ledger", "show", "--ledger", ledger, "--json"))
    assert shown["instruments"][0]["material"] == "di\u00f3fa \u2212 \u0151"


def test_what_the_packages_tell_of_slow_work_is_said_once_and_beside_the_result(say, capsys):
    for _ in range(2):
        assert say("models")[0] == 0
    logging.getLogger("fluewright.acoustics.kernel_cache").info("compiling %d", 3)
    assert capsys.readouterr() == ("", "fluewright: compiling 3\n")
