"""`fluewright trial` and `fluewright voice`: a head from its first trial to the outcome of an adjustment."""

import fcntl
import json
import os
import sys

import pytest

from fluewright.cli import main

READINGS = (
    "D5.lowest_pa=75", "D5.comfortable_pa=150", "D5.jump_pa=300", "D5.fall_back_pa=225", "D5.cents=0",
    "D5.rise_s=0.014", "D6.2.lowest_pa=226", "D6.2.comfortable_pa=380", "D6.2.cents=-3", "D6.2.rise_s=0.008",
)  # fmt: skip
GOOD = (
    "D5.lowest_pa=68", "D5.comfortable_pa=150", "D5.jump_pa=279", "D5.fall_back_pa=209", "D5.cents=-4",
    "D5.rise_s=0.015", "D6.2.lowest_pa=209", "D6.2.comfortable_pa=369", "D6.2.cents=1", "D6.2.rise_s=0.0087",
)  # fmt: skip


def given(readings):
    return [word for r in readings for word in ("--reading", r)]


@pytest.fixture
def say(monkeypatch, capsys, tmp_path_factory):
    base = tmp_path_factory.getbasetemp()
    base = base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base
    monkeypatch.setenv("XDG_CACHE_HOME", str(base / "cache"))

    def run(*words):
        monkeypatch.setattr(sys, "argv", ["fluewright", *map(str, words)])
        # Workers of one run share the evaluations: the first that needs them makes them.
        with (base / "voicing-cli.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            with pytest.raises(SystemExit) as ended:
                main()
        out, err = capsys.readouterr()
        return ended.value.code or 0, out, err

    return run


@pytest.fixture
def shop(say, tmp_path):
    """Return a ledger with d5-cylinder, a good head and a piece."""
    ledger = tmp_path / "shop.ledger"
    assert say("ledger", "add-model", "d5-cylinder", "--ledger", ledger)[0] == 0
    serials = []
    for _ in range(2):
        code, out, err = say("ledger", "begin", "d5-cylinder", "--prefix", "D5", "--ledger", ledger)
        assert code == 0, err
        serials.append(out.split()[-1])
    code, _, err = say(
        "trial", "d5-cylinder", *given(GOOD), "--good", "--ledger", ledger, "--serial", serials[0]
    )  # fmt: skip
    assert code == 0, err
    return ledger, serials[1]


def test_a_head_from_its_trial_to_the_outcome(say, shop, tmp_path):
    """Trial, diagnosis, one adjustment with its forecast, the next trial: forecast beside outcome."""
    ledger, serial = shop
    piece = ("--ledger", ledger, "--serial", serial)
    code, out, err = say("trial", "d5-cylinder", *given(READINGS), *piece, "--json")
    assert code == 0, err
    first = json.loads(out)
    assert first["trial"]["notes"][0]["readings"]["jump_pa"][0] == 300.0
    code, out, err = say("voice", "d5-cylinder", *piece, "--json")
    assert code == 0, err
    said = json.loads(out)
    assert said["good_heads"] == 1
    assert [c["check"] for c in said["exclude_first"]] == ["dirt", "leak", "fingering", "assembly"]
    assert sum(c["probability"] for c in said["causes"]) + said["faultless"] == pytest.approx(1.0)
    chances = [c["probability"] for c in said["causes"]]
    assert chances == sorted(chances, reverse=True)
    advised = said["advice"][0]
    assert advised["evidence"] == "computed"
    assert {"note", "register", "quantity", "change", "sigma", "unit", "evidence"} == set(advised["forecast"][0])
    code, out, err = say("voice", "d5-cylinder", *piece, "--did", "block-forward=3", "--reason", "octave narrow")
    assert code == 0, err
    assert "logged with its forecast" in out
    after = [r.replace("=75", "=73").replace("=300", "=292").replace("=226", "=219") for r in READINGS]
    plot, kept = tmp_path / "t.svg", tmp_path / "t.json"
    code, out, err = say(
        "trial", "d5-cylinder", *given(after), *piece, "--compare", "last", "--plot", plot, "--out", kept
    )
    assert code == 0, err
    assert "forecast of block-forward (3 steps" in out
    assert "readings within two sigmas of their forecast" in out
    assert plot.read_text().startswith("<svg")
    assert json.loads(kept.read_text())["format"] == "fluewright-head-trial/1"
    code, out, err = say("trial", "d5-cylinder", *piece, "--json")
    assert code == 0, err
    outcome = {(r["note"], r["quantity"]): r for r in json.loads(out)["forecasts"][0]["readings"]}
    assert outcome[("D5", "lowest_pa")]["outcome"] == pytest.approx(100 * (73 / 75 - 1))
    code, out, err = say("voice", "d5-cylinder", *piece, "--json")
    assert code == 0, err
    (again,) = (a for a in json.loads(out)["advice"] if a["adjustment"] == "block-forward")
    assert again["evidence"] == "measured here"
    assert say("ledger", "verify", "--ledger", ledger)[0] == 0


def test_a_diagnosis_in_words(say, shop):
    ledger, serial = shop
    code, out, err = say("voice", "d5-cylinder", *given(READINGS), "--checked", "dirt,fingering")
    assert code == 0, err
    assert "no good head of this model to compare with" in err
    for words in (
        "symptoms",
        "causes (nothing wrong",
        "leak: leak: joints",
        "what to do, in the order to try",
        "First: ",
    ):
        assert words in out
    assert "dirt: dirt or water" not in out
    assert ledger.exists()
    assert serial


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("trial", "d5-cylinder"), "nothing to try: give a swell with --recording"),
        (("trial", "d5-cylinder", "--reading", "D5.jump=280"), "there is no quantity 'jump'; use one of lowest_pa"),
        (("trial", "d5-cylinder", "--reading", "D7.jump_pa=280"), "D7.1: d5-cylinder has no such note; it has D5.1"),
        (("trial", "d5-cylinder", "--reading", "D5.jump_pa=1e9"), "outside 1 to 20000 Pa"),
        (("trial", "d5-cylinder", "--reading", "D5.jump_pa=280", "--compare", "last"), "name the piece with --ledger"),
        (("trial", "d5-cylinder", "--reading", "D5.jump_pa=280", "--compare", "no.json"), "no.json: there is no such"),
        (("trial", "d5-cylinder", "--reading", "D5.jump_pa=280", "--theme", "pink"), "theme is 'pink'"),
        (("trial", "d5-cylinder", "--recording", "no.wav"), "a swell needs the breath beside it"),
        (("voice", "d5-cylinder"), "no trial: give --trial FILE"),
        (("voice", "d5-cylinder", "--trial", "no.json"), "no.json: there is no such"),
        (("voice", "d5-cylinder", "--reading", "D5.jump_pa=280", "--checked", "luck"), "--checked: 'luck' is not"),
        (("voice", "d5-cylinder", "--reading", "D5.jump_pa=280", "--did", "saw"), "adjustment 'saw' is not known"),
        (("voice", "d5-cylinder", "--reading", "D5.jump_pa=280", "--did", "block-back=x"), "ADJUSTMENT=STEPS"),
        (("voice", "d5-cylinder", "--reading", "D5.jump_pa=280", "--did", "block-back=99"), "99 usual steps"),
        (("voice", "d5-cylinder", "--reading", "D5.jump_pa=280", "--did", "block-back"), "is logged in the ledger"),
        (("voice", "d5-cylinder", "--reading", "D5.jump_pa=280", "--limits", "no.toml"), "no.toml: there is no such"),
        (("voice", "d5-cylinder", "--serial", "D5-0001"), "--ledger and --serial go together"),
        (("voice", "d5-cylinder", "--ledger", "no.ledger", "--serial", "D5-0001"), "there is no ledger"),
    ],
)  # fmt: skip
def test_bad_input_is_named_with_its_mend(say, words, says, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, out, err = say(*words)
    assert code == 2
    assert says in err
    assert out == ""
    assert "Traceback" not in err


def test_another_models_piece_is_refused(say, shop):
    ledger, serial = shop
    code, _, err = say("voice", "f4-taper", "--ledger", ledger, "--serial", serial)
    assert code == 2
    assert "was begun with d5-cylinder, the model named is f4-taper" in err
