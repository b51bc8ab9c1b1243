"""Each verb gives what the packages give, in the user's words, and passes their errors on as they are."""

import wave

import numpy as np
import pytest

import fluewright as fw
from fluewright.acoustics.sounding import jet_shift
from fluewright.instrument.files import read_model


def test_models_to_start_from_are_listed_and_can_be_loaded():
    listed = fw.models().records()
    assert "d5-cylinder" in [row["name"] for row in listed]
    for row in listed:
        model = fw.load(row["name"])
        assert row["length_mm"] == model.length_mm
        assert row["holes"] == len(model.holes)


def test_a_model_is_changed_as_a_copy_and_saved(model, tmp_path):
    sizes, limits = {"length_mm": 260.0, "holes.1.diameter_mm": 7.0}, {"largest_hole_mm": 9.0}
    made = fw.change(model, sizes, name="mine", a4_hz=442.0, temperature_c=23.0, limits=limits)
    assert made.length_mm == 260.0
    assert (made.model.name, made.model.lineage) == ("mine", "d5-cylinder")
    assert (made.target.a4_hz, made.conditions.temperature_c, made.limits.largest_hole_mm) == (442.0, 23.0, 9.0)
    assert model == fw.load("d5-cylinder")
    assert fw.change(model) == model
    path = fw.save(made, tmp_path / "mine.toml")
    assert read_model(path) == made == fw.load(path)
    kept = tmp_path / "kept.toml"
    kept.write_text("# my own words\n" + path.read_text(encoding="utf-8"), encoding="utf-8")
    assert "# my own words" in fw.save(model, tmp_path / "again.toml", like=kept).read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("sizes", "says"),
    [
        ({"length_mm": 100.0}, "beyond the foot end"),
        ({"hole.1": 3.0}, "no such size"),
        ({"holes.1.diameter_mm": 0.0}, "must not be less than 0.001"),
    ],
)
def test_a_change_that_makes_no_instrument(model, sizes, says):
    with pytest.raises(fw.ModelError, match=says):
        fw.change(model, sizes)


def test_sizes_are_those_that_can_be_changed(model):
    table = {row["key"]: row for row in fw.sizes(model).records()}
    assert table["length_mm"]["value"] == model.length_mm
    assert table["holes.3.diameter_mm"]["words"] == "hole 3 diameter"
    for key, row in table.items():
        assert fw.change(model, {key: row["value"]}) == model, key


def test_a_note_is_found_by_name_and_register(predicted, blown):
    assert predicted.note("D6").fingering.text == "occ ccc"
    assert predicted.note("D6", 2) is predicted.note("D6")
    assert blown.note("A5").register == 1
    for result in (predicted, blown):
        with pytest.raises(fw.InputError, match=r"d5-cylinder has no D6 \(register 1\); it has D5 \(register 1\), E5"):
            result.note("D6", 1)


def test_tolerances_and_losses_change_the_prediction(model, predicted):
    careless = fw.predict(model, tolerances=fw.ShopTolerances(hole_diameter_mm=0.5))
    assert careless.records()[4]["from_sizes_cents"] > 2.0 * predicted.records()[4]["from_sizes_cents"]
    assert careless.records()[4]["from_model_cents"] == predicted.records()[4]["from_model_cents"]
    lossless = fw.predict(model, wall_losses=False).note("D5")
    assert lossless.cents > predicted.note("D5").cents
    assert lossless.quality > 1.5 * predicted.note("D5").quality
    assert fw.predict(model, radiation=False).note("D5").quality > predicted.note("D5").quality


def test_effects_of_sizes_agree_with_a_change(model, predicted):
    """A tenth of a millimetre more body, computed anew, flattens every note as the effects say."""
    effects = fw.sensitivity(model).of("length_mm")
    longer = fw.predict(fw.change(model, {"length_mm": model.length_mm + 0.1}))
    for name, register in (("D5", 1), ("E6", 2)):
        moved = longer.note(name, register).cents - predicted.note(name, register).cents
        assert moved == pytest.approx(effects[f"{name} {register}"], abs=0.01)
    assert effects["D5 1"] < -0.5
    with pytest.raises(fw.InputError, match="sizes"):
        fw.sensitivity(model).of("length")


def test_breath_of_every_note(blown):
    row = next(r for r in blown.records() if r["note"] == "D5")
    assert row["starts_pa"] <= row["holds_from_pa"] < row["in_tune_pa"] < row["jumps_at_pa"]
    curve = blown.curve("D5").records()
    assert [r["breath_pa"] for r in curve] == sorted(r["breath_pa"] for r in curve)
    assert len(blown.octaves()) == 6
    assert blown.breath.exponent > 1.0
    assert blown.warnings == ()


def test_breath_without_jumps_is_faster_and_knows_none(model):
    rows = fw.blow(model, jumps=False).records()
    assert all(r["jumps_at_pa"] is None and r["starts_pa"] > 0 for r in rows)


def test_a_head_that_cannot_sound(model):
    silent = fw.change(model, {"head.windway.exit_height_mm": 0.1})
    for verb in (fw.blow, fw.fit, fw.hear):
        with pytest.raises(fw.InputError, match="will not sound: head"):
            verb(silent)


def test_a_fit_by_resonance_brings_the_notes_nearer(model, fitted):
    before = fw.predict(fw.change(model, {"length_mm": 268.0}))
    after = fw.predict(fitted.model)
    assert after.rms_cents == pytest.approx(fitted.rms_cents, abs=0.01)
    assert after.rms_cents < 0.8 * before.rms_cents
    changed = {r["size"]: r for r in fitted.records()}
    assert changed["length_mm"]["before_mm"] == 268.0
    assert changed["length_mm"]["after_mm"] == fitted.model.length_mm
    assert fitted.broken_rules == ()
    assert fitted.out_of_range == ()


def test_a_fit_as_blown_aims_at_the_planned_breath(model):
    fitted = fw.fit(model, a4_hz=442.0, temperature_c=23.0)
    assert fitted.blown
    assert (fitted.model.target.a4_hz, fitted.model.conditions.temperature_c) == (442.0, 23.0)
    blown = fw.blow(fitted.model, jumps=False)
    assert [r["cents"] for r in fitted.notes().records()] == pytest.approx(
        [n.planned_cents for n in blown.notes], abs=0.3
    )
    assert np.abs(jet_shift(blown.blown)[0]).max() > 3.0


def test_a_tuning_standard_that_cannot_be(model, take):
    with pytest.raises(fw.ModelError, match="a4_hz"):
        fw.fit(model, a4_hz=100.0)
    with pytest.raises(fw.InputError, match="a4_hz: is 100"):
        fw.listen(take, a4_hz=100.0)


def test_what_is_heard_of_a_design_is_what_was_computed(model, blown, tmp_path):
    sound = fw.hear(model, ["A5", "G5"], seconds=0.5, seed=2)
    assert sound.notes == ("A5", "G5")
    assert sound.seconds == pytest.approx(1.0, abs=0.01)
    heard = fw.listen(sound.save(tmp_path / "two.wav"), model=model)
    assert [n.name for n in heard.notes] == ["A5", "G5"]
    for note in heard.notes:
        assert note.cents == pytest.approx(blown.note(note.name).planned_cents, abs=1.0)


def test_one_note_at_a_breath_of_its_own(model, sound, tmp_path):
    loud = fw.hear(model, "D5", seconds=0.2, breath_pa=250.0)
    assert loud.level_db > sound.level_db + 1.0
    path = loud.save(tmp_path / "loud.wav")
    with wave.open(str(path)) as file:
        assert file.getframerate() == loud.rate_hz
    assert loud.save(tmp_path / "loud.flac").read_bytes()[:4] == b"fLaC"
    with pytest.raises(fw.RecordingError, match="suffix"):
        loud.save(tmp_path / "loud.txt")


@pytest.mark.parametrize(
    ("notes", "more", "says"),
    [
        ("Z9", {}, "notes: has 'Z9'; the model has D5, E5"),
        (["D5", "H5"], {}, "notes: has 'H5'"),
        ([], {}, "notes: is empty"),
        ("D5", {"seconds": 0.01}, "seconds: is 0.01; it can be 0.1 to 120"),
        ("D5", {"breath_pa": 3.0}, "will not sound at 3 Pa"),
        (["D5"], {"breath_pa": 100.0}, "breath_pa: is given for several notes"),
    ],
)
def test_what_cannot_be_heard(model, notes, more, says):
    with pytest.raises(fw.InputError, match=says):
        fw.hear(model, notes, **more)


def test_a_recording_is_heard_by_a_model_and_without_one(heard, take):
    assert [n.name for n in heard.notes] == [
        "D5", "E5", "F#5", "G5", "A5", "B5", "C#6", "D6", "E6", "F#6", "G6", "A6", "B6",
    ]  # fmt: skip
    assert heard.warnings == ()
    assert len(heard.sha256) == 64
    sharp = fw.listen(take, a4_hz=430.0)
    assert sharp.notes[0].name == "D5"
    assert sharp.notes[0].cents - heard.notes[0].cents == pytest.approx(1200 * np.log2(440 / 430), abs=0.01)


def test_a_note_of_another_instrument_is_warned_of(take):
    heard = fw.listen(take, model=fw.load("c5-taper"))
    assert any("not heard" in text for text in heard.warnings)
    assert "warnings" in repr(heard)
    assert any(r["note"] is None and r["cents"] is None for r in heard.records())


def test_start_and_tone_are_heard_where_they_are_asked_for(heard, take):
    rows = heard.tones().records()
    assert [r["note"] for r in rows] == [n.name for n in heard.notes]
    assert all(0.0 < r["rise_s"] < 0.1 for r in rows)
    assert all(r["vibrato_hz"] is None for r in rows)
    plain = fw.listen(take)
    with pytest.raises(fw.InputError, match="listen with tone=True"):
        plain.tones()
    for table in (plain.registers, plain.jumps):
        with pytest.raises(fw.InputError, match="listen with swell=True"):
            table()


def test_a_swell_with_its_breath_log_jumps_where_the_model_says(swell, blown):
    up, down = swell.jumps().records()
    assert (up["up"], down["up"]) == (True, False)
    assert up["after_hz"] / up["before_hz"] == pytest.approx(2.0, rel=0.02)
    low = next(r for r in blown.records() if r["note"] == "D5")
    assert up["breath_pa"] == pytest.approx(low["jumps_at_pa"], rel=0.1)
    assert down["breath_pa"] == pytest.approx(low["falls_back_pa"], rel=0.15)
    first = swell.registers().records()[0]
    assert first["least_pa"] < first["most_pa"]
    assert first["cents_per_doubling"] > 5.0


def test_a_swell_without_a_log_has_no_breath(swell):
    again = fw.listen(swell.path, swell=True)
    assert [r["up"] for r in again.jumps().records()] == [True, False]
    assert all(r["breath_pa"] is None for r in again.jumps().records())
    assert all(r["least_pa"] is None for r in again.registers().records())
    with pytest.raises(fw.RecordingError):
        fw.listen(swell.path, breath_log=swell.path.with_name("none.csv"))


def test_a_file_that_is_no_recording(tmp_path):
    (tmp_path / "no.wav").write_bytes(b"none")
    with pytest.raises(fw.RecordingError):
        fw.listen(tmp_path / "no.wav")


def test_advice_for_a_piece_without_a_ledger(model, take, advice):
    assert advice.state == "cut"
    assert advice.logged == ()
    assert [r["size"] for r in advice.cuts().records()] == [c.key for c in advice.plan]
    assert advice.model is model
    assert advice.play_next
    assert advice.warnings == ()
    several = fw.advise(model, [take, take])
    assert several.warnings == ("take.wav: this recording was counted before",)
    np.testing.assert_allclose(several.verdict.cents, advice.verdict.cents)


def test_advice_by_sizes_air_and_policy(model, take, advice):
    cold = fw.advise(model, take, temperature_c=15.0)
    assert cold.records()[0]["cents"] > advice.records()[0]["cents"] + 5.0
    one = fw.advise(model, str(take), policy=fw.CutPolicy(one_at_a_time=True))
    assert len(one.plan) == 1
    short = fw.advise(model, take, sizes={"length_mm": 262.0}, breath_pa=150.0)
    assert short.judged.sitting.as_built == {"length_mm": 262.0}
    with pytest.raises(fw.InputError, match="temperature_c"):
        fw.advise(model, take, temperature_c=900.0)
    with pytest.raises(fw.ModelError, match="no such size"):
        fw.advise(model, take, sizes={"length": 262.0})


def test_a_sheet_is_written(model, tmp_path):
    assert fw.sheet(model, tmp_path / "sheet.pdf").read_bytes()[:5] == b"%PDF-"
