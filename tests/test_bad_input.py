"""Whatever is wrong with the input: one message that says what and how to mend it, exit code 2, nothing written."""

import ast
import re
import subprocess
import sys

import numpy as np
import pytest

from fluewright.cli import main
from fluewright.demo.sound import play
from fluewright.instrument.starting import starting_models
from fluewright.listening import write_recording

GOOD = starting_models()["d5-cylinder"].read_text(encoding="utf-8")


def with_value(key, value, hole=None):
    """Return the good model's text with one value replaced, in the table of a hole when one is named."""
    start = GOOD.index(f'name = "{hole}"') if hole else 0
    text, count = re.subn(rf"(?m)^{key} = [-0-9.]+", f"{key} = {value}", GOOD[start:], count=1)
    assert count == 1
    return GOOD[:start] + text


def with_stations(key, stations):
    """Return the good model's text with all stations of the bore or of the body's outside replaced."""
    text, count = re.subn(rf"(?m)^{key} = \[\[.*\]\]", f"{key} = {stations}", GOOD, count=1)
    assert count == 1
    return text


FIRST_HOLE_MM = re.search(r"(?m)^position_mm = ([0-9.]+)", GOOD)[1]
# The bore is one cylinder; its length follows from fitting, so no case may lean on its figures.
((HEAD_MM, BORE_MM), (FOOT_MM, _)) = ast.literal_eval(re.search(r"(?m)^stations_mm = (\[\[.*\]\])", GOOD)[1])
LAST_DIAMETER_MM = float(re.search(r'name = "6"(?:.*\n)+?diameter_mm = ([0-9.]+)', GOOD)[1])
HEAD, FOOT = [HEAD_MM, BORE_MM], [FOOT_MM, BORE_MM]


@pytest.fixture
def refused(monkeypatch, capsys, tmp_path):
    """Run a command that must be refused and return its message; the folder must stay as it was."""
    monkeypatch.chdir(tmp_path)

    def listing():
        return {
            str(p.relative_to(tmp_path)): p.stat().st_mtime_ns if p.is_file() else None for p in tmp_path.rglob("*")
        }

    def run(*words):
        before = listing()
        monkeypatch.setattr(sys, "argv", ["fluewright", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        assert ended.value.code == 2, err
        assert out == ""
        assert err.strip()
        assert "Traceback" not in err
        assert listing() == before
        return err

    return run


@pytest.fixture(scope="session")
def played_wav(tmp_path_factory):
    """Return a recording of the model itself."""
    from fluewright.acoustics.network import build_network
    from fluewright.acoustics.resonance import predict_notes
    from fluewright.instrument.starting import load

    first = {}
    for p in predict_notes(build_network(load("d5-cylinder"))):
        first.setdefault((p.note, p.register), p.frequency_hz)
    path = tmp_path_factory.mktemp("played") / "played.wav"
    write_recording(path, play(list(first.values()), note_s=0.4, rng=np.random.default_rng(8)), 44100)
    return path


MODELS = {
    "not_toml": ("this is = = not", ("not valid TOML", "line 1")),
    "empty": ("", ("format", "fluewright-model/1")),
    "unknown_key": (GOOD.replace("material =", "materiel ="), ("model.materiel", "did you mean material")),
    "negative_length": (
        with_value("window_length_mm", -4.5),
        ("head.window_length_mm", "-4.5", "not be less than 0.001"),
    ),
    "overlap": (with_value("position_mm", float(FIRST_HOLE_MM) + 1.0, hole="2"), ("holes.2", "overlaps holes.1")),
    "beyond_foot": (with_value("position_mm", 2.0 * FOOT_MM, hole="6"), ("holes.6", f"{2.0 * FOOT_MM}", "foot end")),
    "fingering": (GOOD.replace('E5 = "ccc cco"', 'E5 = "ccc co"'), ("register_1.E5", "5 letters", "6 holes")),
    "nan": (with_value("diameter_mm", "nan", hole="3"), ("holes.3", "nan", "finite")),
    "infinite": (with_value("diameter_mm", "inf", hole="3"), ("holes.3", "inf", "finite")),
    "huge_hole": (with_value("diameter_mm", "66.0", hole="3"), ("holes.3", "66.0", "12.7")),
    "text_for_number": (GOOD.replace("a4_hz = 440.0", 'a4_hz = "high"'), ("target.a4_hz", "high", "not a number")),
    "no_holes": (GOOD.split("[[holes]]")[0], ("fingerings",)),
    "no_wall": (with_stations("outside_mm", [HEAD, FOOT]), ("no wall", f"{BORE_MM}")),
    "wall_gone_between_stations": (
        with_stations("stations_mm", [HEAD, [90.0, 20.0], FOOT]),
        ("bore.outside_mm", "90.0", "20.0"),
    ),
    "stations_back": (
        with_stations("stations_mm", [HEAD, [2.0 * FOOT_MM, BORE_MM], FOOT]),
        ("bore.stations_mm", f"{FOOT_MM}", f"{2.0 * FOOT_MM}"),
    ),
    "three_at_one_place": (
        with_stations("stations_mm", [HEAD, [90.0, BORE_MM], [90.0, 12.0], [90.0, 11.0], FOOT]),
        ("bore.stations_mm", "90.0", "a step has two stations"),
    ),
    "step_written_as_a_cone": (
        with_stations("stations_mm", [HEAD, [90.0, BORE_MM], [90.01, 12.0], [FOOT_MM, 12.0]]),
        ("bore.stations_mm", "90.01", "write a step"),
    ),
    "bore_in_centimetres": (
        with_stations("stations_mm", [[HEAD_MM, 1.27], [FOOT_MM, 1.27]]),
        ("bore.stations_mm", "1.27", "2.0 to 100.0"),
    ),
    "windway_outside": (with_value("floor_height_mm", 3.2), ("head.windway.floor_height_mm", "3.2", "3.15")),
    "windway_in_the_bore": (with_value("floor_height_mm", -8.0), ("head.windway.floor_height_mm", "-8.0", "raise")),
    "edge_outside": (with_value("edge_offset_mm", 5.0), ("head.edge_offset_mm", "5.0", "outside the wall")),
    "edge_below_the_axis": (with_value("edge_offset_mm", -8.0), ("head.edge_offset_mm", "-8.0", "axis")),
    "broken_edge": (with_value("broken_edge_mm", 4.6), ("head.broken_edge_mm", "4.6", "4.5")),
    "ears": (
        GOOD.replace("[head]", "[head]\near_height_mm = 3.5", 1),
        ("head.ear_height_mm", "3.5", "3.15"),
    ),
    "rim_on_the_ramp": (with_value("position_mm", 10.0, hole="1"), ("holes.1", "ramp", "head.ramp_angle_deg")),
    "block_over_window": (with_value("block_depth_mm", 4.5), ("head.block_depth_mm", "4.5", "whole window")),
    "block_behind_the_bore": (with_value("block_depth_mm", -60.0), ("bore.stations_mm", "-60.0")),
    "window_wider_than_bore": (with_value("window_width_mm", 12.7), ("head.window_width_mm", "12.7", "narrower")),
    "window_longer_than_bore": (with_value("window_length_mm", 300.0), ("300.0", "beyond the edge")),
    "hole_over_window": (with_value("position_mm", 5.0, hole="1"), ("holes.1", "over the window")),
    "hole_over_foot_edge": (
        with_value("position_mm", round(FOOT_MM - 1.5, 2), hole="6"),
        ("holes.6", f"{round(round(FOOT_MM - 1.5, 2) + 0.5 * LAST_DIAMETER_MM, 2)}", "foot end"),
    ),
    "holes_out_of_order": (with_value("position_mm", 30.0, hole="4"), ("holes.4", "above the hole before it")),
    "rim_deeper_than_wall": (with_value("outer_round_mm", 4.0, hole="2"), ("holes.2", "outer_round_mm", "3.15")),
    "flat_ramp": (with_value("ramp_angle_deg", 0.0), ("head.ramp_angle_deg", "0.0")),
    "same_name": (GOOD.replace('name = "2"', 'name = "1"'), ("holes.2", "its own name")),
    "no_wall_loss": (GOOD.replace("[head]", "wall_loss_factor = 0.0\n\n[head]", 1), ("bore.wall_loss_factor",)),
}


@pytest.mark.parametrize("kind", MODELS)
def test_faulty_model_is_refused_with_its_key(refused, tmp_path, kind):
    text, says = MODELS[kind]
    assert text != GOOD
    path = tmp_path / "m.toml"
    path.write_text(text, encoding="utf-8")
    for verb in ("check", "predict"):
        message = refused(verb, path)
        assert str(path) in message
        for part in says:
            assert part in message


@pytest.mark.parametrize("verb", ["check", "predict", "fit", "sheet"])
def test_model_that_is_no_file_is_refused(refused, tmp_path, verb):
    assert "no such file" in refused(verb, tmp_path / "none.toml")
    assert "folder" in refused(verb, tmp_path)
    assert "d5-cylinder" in refused(verb, "d5-cylindre")


def test_huge_and_foreign_model_files_are_refused(refused, tmp_path):
    huge, latin, zero = tmp_path / "huge.toml", tmp_path / "latin.toml", tmp_path / "zero.toml"
    with huge.open("wb") as stream:
        stream.truncate(1 << 30)
    latin.write_bytes(GOOD.replace("plum", "pl\xfcm").encode("latin-1"))
    zero.write_bytes(b"\0" * 100)
    assert "256 KiB" in refused("check", huge)
    assert "UTF-8" in refused("check", latin)
    assert "TOML" in refused("check", zero)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "empty"),
        (b"hello\n" * 100, "not a sound file"),
        ("header", "no sound"),
        (b"RIFF\x24\x00\x00\x00WAVE", "sound"),
    ],
    ids=["empty", "text", "header only", "stub"],
)
def test_recording_without_sound_is_refused(refused, tmp_path, played_wav, content, says):
    path = tmp_path / "x.wav"
    path.write_bytes(played_wav.read_bytes()[:44] if content == "header" else content)
    for words in (("listen", path), ("next-cut", "d5-cylinder", path)):
        message = refused(*words)
        assert says in message
        assert str(path) in message


def test_missing_recording_and_folder_are_refused(refused, tmp_path):
    assert "no such file" in refused("listen", tmp_path / "none.wav")
    assert "is a folder" in refused("listen", tmp_path)


def test_truncated_recording_is_heard_with_a_warning(monkeypatch, capsys, tmp_path, played_wav):
    path = tmp_path / "cut.wav"
    raw = played_wav.read_bytes()
    path.write_bytes(raw[: len(raw) // 2])
    monkeypatch.setattr(sys, "argv", ["fluewright", "listen", str(path)])
    with pytest.raises(SystemExit) as ended:
        main()
    assert not ended.value.code
    out, err = capsys.readouterr()
    assert "D5" in out
    assert err.count("cut short") == 1


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--size", "nonsense"), ("nonsense", "KEY=MILLIMETRES")),
        (("--size", "holes.9.diameter_mm=5"), ("holes.9.diameter_mm", "no such size", "did you mean")),
        (("--size", "holes.3.diameter_mm=99"), ("holes.3", "99", "12.7", "smaller")),
        (("--size", "holes.3.diameter_mm=nan"), ("nan", "finite")),
        (("--size", "holes.3.diameter_mm=-1"), ("-1",)),
        (("--size", "holes.3=5"), ("holes.3", "no such size")),
        (("--size", "holes=5"), ("holes", "no such size")),
        (("--size", "=5"), ("no such size",)),
        (("--size", "bore.stations_mm.x.x=5"), ("no such size",)),
        (("--size", "holes.3.undercut=1"), ("did you mean holes.3.undercut",)),
        (("--size", "length_mm=-3"), ("-3",)),
        (("--size", "length_mm=264", "--size", "length_mm=265"), ("twice",)),
        (("--risk", "2"), ("--risk", "2", "0.5")),
        (("--risk", "nan"), ("--risk", "nan")),
        (("--risk", "0"), ("--risk: is 0.0", "between 0 and 0.5")),
        (("--temperature-c", "900"), ("900", "60")),
        (("--temperature-c", "nan"), ("nan",)),
        (("--ledger", "x.ledger"), ("--serial",)),
        (("--serial", "D5-0001"), ("--ledger",)),
        (("--ledger", "x.ledger", "--serial", "D5-0001"), ("x.ledger", "add-model")),
    ],
)
def test_next_cut_options_are_checked(refused, played_wav, options, says):
    message = refused("next-cut", "d5-cylinder", played_wav, *options)
    for part in says:
        assert part in message


@pytest.mark.parametrize("other", ["f4-taper", "c5-taper", "d4-cylinder", "c5-eight-hole"])
def test_recording_of_another_instrument_gives_no_cut(refused, tmp_path, other):
    """A cut proposed from the wrong recording would spoil a piece; a third, a tone and an octave away are told."""
    from fluewright.acoustics.network import build_network
    from fluewright.acoustics.resonance import predict_notes
    from fluewright.instrument.starting import load

    first = {}
    for p in predict_notes(build_network(load(other))):
        first.setdefault((p.note, p.register), p.frequency_hz)
    path = tmp_path / "other.wav"
    write_recording(path, play(list(first.values()), note_s=0.3, rng=np.random.default_rng(5)), 44100)
    message = refused("next-cut", "d5-cylinder", path)
    assert "recording of this piece" in message


@pytest.mark.parametrize("place", ["missing/x", "folder"])
@pytest.mark.parametrize(
    "words",
    [
        ("new", "d5-cylinder", "PLACE", "--force"),
        ("predict", "d5-cylinder", "--plot", "PLACE"),
        ("fit", "d5-cylinder", "--out", "PLACE"),
        ("sheet", "d5-cylinder", "--out", "PLACE"),
        ("check", "--write-schema", "PLACE"),
    ],
    ids=lambda words: words[0],
)
def test_place_that_cannot_be_written_is_refused(refused, tmp_path, words, place):
    (tmp_path / "folder").mkdir()
    assert place in refused(*(place if word == "PLACE" else word for word in words))


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("frobnicate",), "frobnicate"),
        (("ledger", "frobnicate"), "frobnicate"),
        (("predict", "--bogus", "d5-cylinder"), "--bogus"),
        (("predict",), "MODEL"),
        (("predict", "d5-cylinder", "extra"), "extra"),
        (("predict", "d5-cylinder", "--theme", "pink"), "pink"),
        (("check",), "fluewright check d5-cylinder"),
        (("new", "nothing", "x.toml"), "d5-cylinder"),
        (("fit", "d5-cylinder", "--a4-hz", "3"), "300"),
        (("fit", "d5-cylinder", "--a4-hz", "nan"), "nan"),
        (("fit", "d5-cylinder", "--temperature-c", "900"), "60"),
        (("listen", "x.wav", "--a4-hz", "nan"), "300"),
        (("listen", "x.wav", "--model", "nothing"), "nothing"),
        (("next-cut", "d5-cylinder"), "RECORDING"),
        (("demo", "--seed", "-1"), "-1"),
        (("demo", "--seed", "x"), "--seed"),
        (("ledger", "cut", "D5-0001", "length_mm", "x", "2", "--ledger", "l"), "BEFORE_MM"),
        (("standing-wave", "d5-cylinder", "--fingering", "ccc ooo"), "--at-hz"),
        (("standing-wave", "d5-cylinder", "--fingering", "ccc ooo", "--at-hz", "0", "--csv", "x.csv"), "20000"),
        (("standing-wave", "d5-cylinder", "--fingering", "xyz ooo", "--at-hz", "500"), "half open"),
    ],
)
def test_words_that_mean_nothing_are_refused(refused, words, says):
    assert says in refused(*words)


def test_demo_folder_that_is_a_file_is_refused(refused, tmp_path):
    (tmp_path / "taken").write_text("mine")
    assert "taken" in refused("demo", "--out", "taken")
    assert (tmp_path / "taken").read_text() == "mine"


LEDGER_VERBS = [
    ("show",),
    ("show", "D5-0001"),
    ("begin", "d5-cylinder", "--prefix", "D5"),
    ("cut", "D5-0001", "length_mm", "265", "264", "--tool", "file", "--reason", "flat"),
    ("verify",),
    ("backup", "copy"),
    ("export", "plain"),
]


@pytest.mark.parametrize("verb", LEDGER_VERBS, ids=" ".join)
def test_ledger_that_is_none_is_refused(refused, tmp_path, verb):
    text = tmp_path / "text.ledger"
    text.write_text("hello there " * 100)
    assert "not a ledger" in refused("ledger", *verb, "--ledger", text)
    assert "folder" in refused("ledger", *verb, "--ledger", tmp_path)
    for missing in ("none.ledger", "none/none.ledger"):
        message = refused("ledger", *verb, "--ledger", missing)
        assert missing in message
        assert "add-model" in message


def test_ledger_cannot_begin_in_a_missing_folder(refused, tmp_path):
    assert "no folder" in refused("ledger", "add-model", "d5-cylinder", "--ledger", "none/x.ledger")
    text = tmp_path / "text.ledger"
    text.write_text("hello")
    assert "not a ledger" in refused("ledger", "add-model", "d5-cylinder", "--ledger", text)


def test_faulty_model_reaches_the_shell_as_code_2(tmp_path):
    path = tmp_path / "m.toml"
    path.write_text(MODELS["nan"][0], encoding="utf-8")
    ended = subprocess.run(
        [sys.executable, "-c", "from fluewright.cli import main; main()", "predict", str(path), "--json"],
        capture_output=True,
        text=True,
        timeout=600,
    )
    assert (ended.returncode, ended.stdout) == (2, "")
    assert len(ended.stderr.splitlines()) == 1
