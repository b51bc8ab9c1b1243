"""The shop's records from a script: the same rules as everywhere, each call on the file as it is then."""

import pytest

import fluewright as fw


@pytest.fixture
def own(tmp_path, model):
    shop = fw.open_ledger(str(tmp_path / "own.ledger"))
    assert shop.save_model(model) == 1
    return shop


def test_a_ledger_is_begun_or_asked_for(tmp_path, own):
    with pytest.raises(fw.LedgerError):
        fw.open_ledger(tmp_path / "none.ledger", create=False)
    assert not (tmp_path / "none.ledger").exists()
    assert fw.open_ledger(own.path, create=False) == own
    (tmp_path / "text.ledger").write_text("no ledger")
    with pytest.raises(fw.LedgerError):
        fw.open_ledger(tmp_path / "text.ledger")


def test_models_are_kept_by_version(own, model):
    longer = fw.change(model, {"length_mm": 266.0})
    assert own.save_model(model) == 1
    assert own.save_model(longer) == 2
    assert own.save_model(longer, name="d5-longer") == 1
    assert own.model("d5-cylinder") == longer
    assert own.model("d5-cylinder", version=1) == model
    assert own.model("f4-taper") == fw.load("f4-taper")
    assert [(r["name"], r["version"]) for r in own.models().records()] == [
        ("d5-cylinder", 1), ("d5-cylinder", 2), ("d5-longer", 1)
    ]  # fmt: skip
    with pytest.raises(fw.InputError, match="no model 'none'"):
        own.model("none")


def test_a_piece_from_begun_to_state(own, take, tmp_path):
    serial = own.begin_piece("d5-cylinder", prefix="D5", sizes={"length_mm": 265.0}, material="plum wood", lot="3")
    assert own.sit_down(serial).as_built == {"length_mm": 265.0}
    assert own.sit_down(serial).state is None
    own.measure(serial, {"length_mm": 264.9}, gauge="caliper")
    unlogged = own.advise(serial, take)
    assert unlogged.logged == ()
    assert own.sit_down(serial).state is None
    advice = own.log_trial(serial, take, remarks="cold hands")
    assert len(advice.logged) == 1
    piece = own.sit_down(serial)
    assert piece.state == advice.state == "cut"
    assert [r["size"] for r in piece.cuts().records()] == [c.key for c in advice.plan]
    first = advice.plan[0]
    cut = own.record_cut(serial, first.key, after_mm=first.after_mm, tool="file", reason="D5 flat")
    assert cut.records()[0]["cents"] > advice.records()[0]["cents"]
    assert f"event {cut.event}: length_mm 264.90 to {first.after_mm:.2f} mm" in repr(cut)
    assert own.sit_down(serial).as_built["length_mm"] == first.after_mm
    own.correct_cut(serial, cut.event, after_mm=first.after_mm + 0.1, reason="misread")
    own.set_state(serial, "on hold", reason="wood is damp")
    assert [r["what"] for r in own.history(serial).records()] == [
        "begun", "measurement", "trial", "cut", "correction", "state",
    ]  # fmt: skip
    (row,) = own.pieces("plum", state="on hold").records()
    assert (row["serial"], row["trials"], row["cuts"], row["lot"]) == (serial, 1, 1, "3")
    assert len(own.pieces("walnut")) == 0


def test_a_cut_before_any_trial_has_no_forecast(own):
    serial = own.begin_piece("d5-cylinder", prefix="D5")
    cut = own.record_cut(serial, "length_mm", after_mm=264.0, tool="file", reason="square")
    assert cut.records() == []
    assert "no forecast before the first trial" in repr(cut)


def test_a_recording_is_logged_once(own, take):
    serial = own.begin_piece("d5-cylinder", prefix="D5")
    assert len(own.log_trial(serial, take).logged) == 1
    again = own.log_trial(serial, take)
    assert again.logged == ()
    assert again.warnings == ("take.wav: this recording was counted before",)


def test_forecasts_meet_their_outcome_in_the_next_trial(own, take, tmp_path):
    serial = own.begin_piece("d5-cylinder", prefix="D5")
    own.log_trial(serial, take)
    own.record_cut(serial, "length_mm", after_mm=263.5, tool="file", reason="D5 flat")
    assert len(own.forecasts()) == 0
    again = tmp_path / "again.wav"
    again.write_bytes(take.read_bytes() + b"\0\0")
    own.log_trial(serial, again)
    rows = own.forecasts(model_name="d5-cylinder").records()
    assert len(rows) == 13
    assert rows[0]["what"] == f"{serial} D5 1"
    assert len(own.forecasts(model_name="f4-taper")) == 0


def test_errors_are_those_of_the_shop(own, take):
    with pytest.raises(fw.LedgerError, match="D5-0009"):
        own.sit_down("D5-0009")
    serial = own.begin_piece("d5-cylinder", prefix="D5")
    with pytest.raises(fw.InputError, match="reason") as caught:
        own.record_cut(serial, "length_mm", after_mm=264.0, tool="file", reason=" ")
    assert caught.value.field == "reason"
    with pytest.raises(fw.InputError, match="not played yet"):
        own.write_certificate(serial, "never.pdf")
    with pytest.raises(fw.InputError, match="no state"):
        own.set_state(serial, "lost", reason="gone")


def test_a_certificate_a_copy_and_a_check(own, take, tmp_path):
    serial = own.begin_piece("d5-cylinder", prefix="D5")
    own.log_trial(serial, take)
    path = own.write_certificate(serial, tmp_path / "c.pdf", temperature_uncertainty_c=0.5)
    assert path.read_bytes()[:5] == b"%PDF-"
    copy = own.back_up()
    assert fw.open_ledger(copy, create=False).pieces().records() == own.pieces().records()
    assert own.verify().clean
