"""The bench's verbs as a maker uses them: calibrate, next-cut with its choices, trust."""

import json
import sys

import numpy as np
import pytest

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import resonances
from fluewright.cli import main
from fluewright.demo.sound import play
from fluewright.instrument.starting import load
from fluewright.listening import write_recording


@pytest.fixture
def say(monkeypatch, capsys):
    def run(*words):
        monkeypatch.setattr(sys, "argv", ["fluewright", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        return ended.value.code or 0, out, err

    return run


@pytest.fixture
def record(tmp_path):
    """Return a writer of a recording of d5-cylinder, every note once; `off` is cents for all or by place."""
    network = build_network(load("d5-cylinder"))
    hz = resonances(network).frequencies_hz
    main_rows = [i for i, f in enumerate(network.fingerings) if f.alternative == 0]

    def write(name, off=-15.0, seed=1, odd=None):
        cents = np.full(len(main_rows), float(off))
        for place, more in (odd or {}).items():
            cents[place] += more
        path = tmp_path / name
        sound = play((hz[main_rows] * 2.0 ** (cents / 1200.0)).tolist(), note_s=0.4, rng=np.random.default_rng(seed))
        write_recording(path, sound, 44100)
        return path

    return write


def test_calibrate_says_constants_notes_and_what_to_play(say, record):
    code, out, _ = say("calibrate", "d5-cylinder", record("a.wav"))
    assert code == 0
    for word in ("window", "hole gain", "jet", "Most worth playing next", "the piece as it is"):
        assert word in out
    told = json.loads(say("calibrate", "d5-cylinder", record("a.wav"), "--json")[1])
    assert [c["name"] for c in told["constants"]][:2] == ["window", "holes"]
    assert all(0.0 < c["uncertainty"] <= c["uncertainty_before"] for c in told["constants"])
    low = next(n for n in told["notes"] if (n["note"], n["register"]) == ("G5", 1))
    assert low["cents"] == pytest.approx(-13.0, abs=4.0)


def test_the_plan_names_tool_order_and_what_cannot_be_undone(say, record, tmp_path):
    chart = tmp_path / "chart.svg"
    code, out, _ = say("next-cut", "d5-cylinder", record("a.wav"), "--plot", chart)
    assert code == 0
    assert out.index("1. D5: shorten the foot") < out.index("2. E5: open hole 6")
    for word in ("pin", "cut less, gauge, cut the rest", "Chance of ending past", "Clear chips"):
        assert word in out
    text = chart.read_text(encoding="utf-8")
    assert text.startswith("<svg")
    one = json.loads(say("next-cut", "d5-cylinder", record("a.wav"), "--one", "--json")[1])
    assert len(one["plan"]) == 1
    shelf = json.loads(say("next-cut", "d5-cylinder", record("a.wav"), "--cuts", "hole", "--shelf", "--json")[1])
    assert all(c["kind"] == "hole" for c in shelf["plan"])


def test_ways_to_raise_a_note(say, record):
    code, out, _ = say("next-cut", "d5-cylinder", record("a.wav"), "--ways", "A5=4")
    assert code == 0
    for word in ("hole: hole 3", "rounding: hole 3", "undercut", "window: window"):
        assert word in out


def test_a_slip_is_named_and_left_out(say, record):
    _, out, err = say("calibrate", "d5-cylinder", record("slip.wav", odd={3: 70.0}), "--json")
    assert "G5 (register 1) is +" in err
    assert "play it again" in err
    g5 = next(n for n in json.loads(out)["notes"] if (n["note"], n["register"]) == ("G5", 1))
    assert g5["cents"] < 0.0


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--cuts", "hammer"), "'hammer' is no kind of cut; choose from hole, foot"),
        (("--ways", "A5"), "give a note and cents, for example A5=4"),
        (("--ways", "A9=4"), "names A9, which d5-cylinder does not have"),
        (("--ways", "A5=400"), "give 0 to 100 cents"),
        (("--breath-pa", "1"), "--breath-pa: 1 Pa cannot be meant; give 5 to 10000"),
        (("--breath-pa", "6"), "check the unit"),
        (("--temperature-c", "99"), "--temperature-c: 99 degC cannot be meant; give -20 to 60"),
        (("--ledger", "x.ledger"), "go together"),
    ],
)
def test_options_that_cannot_be_meant(say, record, options, says):
    code, out, err = say("next-cut", "d5-cylinder", record("a.wav"), *options)
    assert (code, out) == (2, "")
    assert says in err
    assert "Traceback" not in err


def test_forecasts_are_kept_with_the_cuts_and_scored(say, record, tmp_path):
    book = ("--ledger", tmp_path / "shop.ledger")
    say("ledger", "add-model", "d5-cylinder", *book)
    empty = say("trust", *book)
    assert empty[0] == 0
    assert "no forecast has met its outcome yet" in empty[1]
    for number in (1, 2):
        serial = say("ledger", "begin", "d5-cylinder", *book, "--prefix", "D5")[1].strip()
        piece = (*book, "--serial", serial)
        first = record(f"{serial}-1.wav", seed=number)
        told = json.loads(say("next-cut", "d5-cylinder", first, *piece, "--json")[1])
        assert told["taught_by_pieces"] == number - 1
        cut = told["plan"][0]
        sizes = (cut["size"], f"{cut['before_mm']:.3f}", f"{cut['after_mm']:.3f}")
        assert say("ledger", "cut", serial, *sizes, *book, "--tool", "saw", "--reason", "flat")[0] == 0
        second = record(f"{serial}-2.wav", seed=10 + number, odd={0: 5.0})
        assert say("calibrate", "d5-cylinder", second, *piece)[0] == 0
    plot = tmp_path / "trust.svg"
    told = json.loads(say("trust", *book, "--json", "--plot", plot)[1])
    assert told["count"] == 26
    assert told["forecasts"][0]["what"].startswith("D5-0001 ")
    assert 0.5 < told["bands"][2]["held"] <= 1.0
    assert abs(told["mean_cents"]) < 4.0
    assert "polyline" in plot.read_text(encoding="utf-8")
    back = say("next-cut", "d5-cylinder", record("b.wav"), *book, "--serial", "D5-0001", "--size", "length_mm=270")
    assert back[0] == 2
    assert "cannot have come back" in back[2]
