import json
import os
import re
import stat
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fluewright.errors import ModelError
from fluewright.instrument.files import (
    model_from_text,
    model_schema,
    model_text,
    read_model,
    validate_model,
    write_model,
    write_schema,
)
from fluewright.instrument.practice import warnings_for
from fluewright.instrument.starting import load, starting_models

NAMES = ["c5-eight-hole", "c5-taper", "d4-cylinder", "d5-cylinder", "f4-taper"]


def _text() -> str:
    return starting_models()["d5-cylinder"].read_text(encoding="utf-8")


def test_the_shipped_models_are_these() -> None:
    assert list(starting_models()) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_a_starting_model_is_sound_and_within_usual_practice_and_reach(name: str) -> None:
    model = load(name)
    assert model.model.name == name
    assert warnings_for(model) == []


@pytest.mark.parametrize("name", NAMES)
def test_a_model_survives_its_text(name: str) -> None:
    model = load(name)
    assert model_from_text(model_text(model)) == model


@pytest.mark.parametrize("name", NAMES)
def test_the_schema_accepts_the_shipped_models(name: str) -> None:
    data = tomllib.loads(starting_models()[name].read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(model_schema())
    jsonschema.Draft202012Validator(model_schema()).validate(data)


def test_the_schema_tells_of_steps_and_a_step_survives_its_text(tmp_path: Path) -> None:
    for key in ("stations_mm", "outside_mm"):
        assert "same x" in model_schema()["$defs"]["Bore"]["properties"][key]["description"]
    data = tomllib.loads(_text())
    data["bore"]["stations_mm"][1:1] = [[90.0, 12.7], [90.0, 12.2]]
    jsonschema.Draft202012Validator(model_schema()).validate(data)
    model = validate_model(data)
    assert model_from_text(model_text(model)) == model
    write_model(model, tmp_path / "step.toml", like=starting_models()["d5-cylinder"])
    assert read_model(tmp_path / "step.toml") == model


def test_the_schema_refuses_an_unknown_key() -> None:
    data = tomllib.loads(_text())
    data["head"]["colour"] = "red"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(model_schema()).validate(data)


def test_the_shipped_schema_is_current(tmp_path: Path) -> None:
    write_schema(tmp_path / "schema.json")
    shipped = next(iter(starting_models().values())).parent / "model.schema.json"
    assert json.loads(shipped.read_text(encoding="utf-8")) == model_schema()
    assert (tmp_path / "schema.json").read_text(encoding="utf-8") == shipped.read_text(encoding="utf-8")


def test_a_name_or_a_path_loads_and_a_near_name_is_offered() -> None:
    assert load(starting_models()["d5-cylinder"]) == load("d5-cylinder")
    with pytest.raises(ModelError, match='"d5-cilinder" is neither a starting model nor a file; did you mean d5-cyl'):
        load("d5-cilinder")
    with pytest.raises(ModelError, match="the starting models are c5-eight-hole, c5-taper"):
        load("zzz")


def test_a_missing_file_offers_its_neighbours(tmp_path: Path) -> None:
    (tmp_path / "whistle.toml").write_text("")
    with pytest.raises(ModelError, match=r"there is no such file; check the name \(near it: whistle.toml\)"):
        read_model(tmp_path / "whistel.toml")


def test_a_folder_is_no_model(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="is a folder; name a model file in it"):
        read_model(tmp_path)


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(ModelError, match="is not a plain file"):
        read_model(tmp_path / "pipe")


def test_a_path_that_no_system_takes() -> None:
    with pytest.raises(ModelError):
        read_model("a\0b.toml")
    with pytest.raises(ModelError):
        read_model("x" * 5000)


def test_a_huge_file_is_refused_unread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    huge = tmp_path / "huge.toml"
    with huge.open("wb") as stream:
        stream.truncate(1 << 30)  # 1 GiB, sparse

    def refuse(self: Path) -> bytes:
        raise AssertionError("the file was read")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(ModelError, match=r"is 1048576 KiB large, above the 256 KiB"):
        read_model(huge)


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        (b"a = \n", "is not valid TOML: .*line 1, column 5"),
        (b"\xff\xfe\x00", "is not UTF-8 text"),
        (b"a = " + b"[" * 100_000, "line 1 has 100004 letters, above the 65536"),
        (b"a = " + b"9" * 10_000, r"line 1: 999.* has 10000 letters or digits, above the 100 .*; shorten it"),
        (b"", "there is no format"),
        (b"RIFF\x00\x00WAVE", "is not valid TOML"),
    ],
)
def test_what_is_no_model_text(tmp_path: Path, raw: bytes, message: str) -> None:
    path = tmp_path / "model.toml"
    path.write_bytes(raw)
    with pytest.raises(ModelError, match=message):
        read_model(path)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "window_length_mm =",
            "window_lenght_mm =",
            "head.window_lenght_mm: unknown key; did you mean window_length_mm",
        ),
        ("window_length_mm = 4.5", "", "head.window_length_mm: is missing; add it"),
        (
            "window_length_mm = 4.5",
            "window_length_mm = -4.5",
            "head.window_length_mm is -4.5, but must not be less than 0.001",
        ),
        (
            "window_length_mm = 4.5",
            "window_length_mm = nan",
            "head.window_length_mm is nan; give a finite number",
        ),
        ("window_length_mm = 4.5", "window_length_mm = inf", "head.window_length_mm is inf"),
        ("window_length_mm = 4.5", 'window_length_mm = "4.5"', "not a number; leave out the quotes"),
        ("window_length_mm = 4.5", "window_length_mm = true", "is true, not a number; write a plain number"),
        ("window_length_mm = 4.5", "window_length_mm = 2026-01-01", "is 2026-01-01, not a number"),
        (
            'temperament = "equal"',
            'temperament = "eqal"',
            'target.temperament is "eqal"; use one of "equal" or "just"',
        ),
        (
            'lowest_note = "D5"',
            'lowest_note = "H5"',
            'model.lowest_note: "H5" is no note; write a capital letter',
        ),
        ('D5 = "ccc ccc"', 'H5 = "ccc ccc"', 'fingerings.register_1.H5: "H5" is no note'),
        ('D5 = "ccc ccc"', "D5 = 5", "fingerings.register_1.D5 is 5"),
        ('D5 = "ccc ccc"', "D5 = []", "fingerings.register_1.D5 "),
        (
            "[fingerings.register_2]",
            "[fingerings.high]",
            "fingerings.high: unknown key; registers are written",
        ),
        ("fluewright-model/1", "fluewright-model/9", 'format is "fluewright-model/9"; use one of'),
        ('name = "3"', 'name = ""', r'holes.3 \(name ""\): name is ""; write a text'),
        ('finger = "left ring"', 'finger = "nose"', r'holes.3 \(name "3"\): finger is "nose"; use one of'),
        ("relative_humidity = 0.5", "relative_humidity = 50", "is 50, but must not be more than 1"),
        ("[conditions]", "conditions = 3\n[condition]", "conditions is 3, not a table"),
    ],
)
def test_a_fault_in_a_file_is_named_with_its_mend(old: str, new: str, message: str) -> None:
    text = _text()
    assert old in text
    text = text.replace(old, new, 1)
    if new.startswith("conditions"):
        # A bare key belongs above the tables.
        text = "conditions = 3\n" + _text().replace("[conditions]", "[limits.reach]", 1)
        message = "conditions is 3, not a table"
    with pytest.raises(ModelError, match=message):
        model_from_text(text)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('D5 = "ccc ccc"', "D5 = 5", "fingerings.register_1.D5 is 5, not a text; put it in quotes"),
        ('D5 = "ccc ccc"', "D5 = []", "fingerings.register_1.D5 has no entries; give at least 1"),
        (
            'D5 = "ccc ccc"',
            'D5 = ["ccc ccc", 4]',
            "fingerings.register_1.D5.2 is 4, not a text; put it in quotes",
        ),
        ("[[-28.0, 12.7]", "[[-28.0, 12.7, 3]", "bore.stations_mm.1 has 3 entries; give at most 2"),
        ("[[-28.0, 12.7]", "[[-28.0, -2]", "bore.stations_mm.1.2 is -2, but must not be less than 0.001; enlarge it"),
        ("[[-28.0, 12.7]", "[3", "bore.stations_mm.1 is 3, not a list; put the values in [ ]"),
    ],
)
def test_one_fault_is_told_once(old: str, new: str, message: str) -> None:
    with pytest.raises(ModelError) as caught:
        model_from_text(_text().replace(old, new, 1))
    assert str(caught.value) == f"model: {message}"


def test_all_faults_are_listed_and_numbered() -> None:
    text = _text().replace("window_width_mm = 8.5", "window_width_mm = -1").replace('lowest_note = "D5"', "")
    with pytest.raises(ModelError, match=r"(?s)model: 2 faults\n  1\. .*\n  2\. ") as caught:
        model_from_text(text)
    assert "model.lowest_note: is missing" in str(caught.value)
    assert "head.window_width_mm is -1" in str(caught.value)


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
        max_leaves=8,
    ),
    st.sampled_from(["model", "bore", "head", "holes", "fingerings", "limits", "target", "player", "conditions"]),
)
@settings(max_examples=150, deadline=None)
def test_no_value_gets_past_as_anything_but_a_model_or_a_model_error(value: Any, key: str) -> None:
    data = {**tomllib.loads(_text()), key: value}
    message = "model: "
    try:
        validate_model(data)
    except ModelError as error:
        message = str(error)
    assert message.startswith("model: ")


def test_comments_and_order_survive_and_only_what_changed_is_rewritten(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(_text(), encoding="utf-8")
    model = read_model(path)
    holes = list(model.holes)
    holes[2] = holes[2].model_copy(update={"diameter_mm": 6.125})
    write_model(model.model_copy(update={"holes": tuple(holes)}), path)
    before, after = _text().splitlines(), path.read_text(encoding="utf-8").splitlines()
    assert len(before) == len(after)
    different = [(a, b) for a, b in zip(before, after, strict=True) if a != b]
    assert [b for _, b in different] == ["diameter_mm = 6.125"]
    assert read_model(path).holes[2].diameter_mm == 6.125


def test_a_comment_behind_a_changed_value_survives(tmp_path: Path) -> None:
    model = load("d5-cylinder")
    head = model.head.model_copy(update={"window_length_mm": 4.25})
    write_model(model.model_copy(update={"head": head}), tmp_path / "new.toml", like=starting_models()["d5-cylinder"])
    assert "window_length_mm = 4.25  # exit plane to edge" in (tmp_path / "new.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("pattern", NAMES)
@pytest.mark.parametrize("name", NAMES)
def test_any_model_can_be_written_over_any_other(tmp_path: Path, name: str, pattern: str) -> None:
    model = load(name)
    write_model(model, tmp_path / "out.toml", like=starting_models()[pattern])
    assert read_model(tmp_path / "out.toml") == model


def test_writing_without_change_changes_no_byte(tmp_path: Path) -> None:
    path = tmp_path / "same.toml"
    path.write_text(_text(), encoding="utf-8")
    write_model(read_model(path), path)
    assert path.read_text(encoding="utf-8") == _text()


@given(st.floats(0.2, 2.0), st.floats(3.0, 6.0), st.floats(120.0, 200.0))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_every_size_survives_to_the_last_bit(tmp_path: Path, height: float, window: float, breath: float) -> None:
    data = tomllib.loads(_text())
    data["head"]["windway"]["entry_height_mm"] = height
    data["head"]["window_length_mm"] = window
    data["target"]["breath"]["notes_pa"] = {"F#5": breath}
    model = validate_model(data)
    write_model(model, tmp_path / "bits.toml", like=starting_models()["d5-cylinder"])
    assert read_model(tmp_path / "bits.toml") == model


def test_a_failed_write_leaves_the_present_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "kept.toml"
    path.write_text(_text(), encoding="utf-8")
    model = load("d5-cylinder").model_copy(update={"target": load("d4-cylinder").target})

    def fail(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(ModelError, match=r"cannot be written .No space left on device.; choose a folder"):
        write_model(model, path)
    assert path.read_text(encoding="utf-8") == _text()
    assert [entry.name for entry in tmp_path.iterdir()] == ["kept.toml"]


def test_the_rights_of_a_file_survive(tmp_path: Path) -> None:
    path = tmp_path / "private.toml"
    path.write_text(_text(), encoding="utf-8")
    path.chmod(0o600)
    write_model(load("d4-cylinder"), path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_places_that_cannot_be_written_or_followed(tmp_path: Path) -> None:
    model = load("d5-cylinder")
    with pytest.raises(ModelError, match="is a folder"):
        write_model(model, tmp_path)
    with pytest.raises(ModelError, match="cannot be written"):
        write_model(model, tmp_path / "none" / "model.toml")
    with pytest.raises(ModelError, match="no such file"):
        write_model(model, tmp_path / "a.toml", like=tmp_path / "b.toml")
    (tmp_path / "c.toml").write_text("= =")
    with pytest.raises(ModelError, match="is not valid TOML"):
        write_model(model, tmp_path / "c.toml")


@pytest.mark.parametrize("tiny", ["5e-324", "1e-308", "1e-160", "1e-7"])
@pytest.mark.parametrize("key", ["outer_round_mm", "inner_chamfer_mm", "all_round_mm", "upstream_mm", "downstream_mm"])
def test_a_length_below_a_nanometre_is_none(key: str, tiny: str) -> None:
    """Its square vanished in a float, and every note became NaN."""
    text = model_text(load("d5-cylinder"))
    with_none, with_tiny = (re.sub(rf"(?m)^{key} = .*$", f"{key} = {value}", text) for value in ("0.0", tiny))
    assert with_tiny != with_none
    assert model_from_text(with_tiny) == model_from_text(with_none)


@pytest.mark.parametrize(
    ("key", "value", "least"),
    [
        ("diameter_mm", "1e-09", "0.001"),
        ("diameter_mm", "5e-324", "0.001"),
        ("exit_height_mm", "5e-324", "0.001"),
        ("ramp_angle_deg", "5e-324", "0.1"),
        ("tolerance_cents", "5e-324", "0.01"),
    ],
)
def test_a_size_that_no_tool_makes_is_refused(key: str, value: str, least: str) -> None:
    text = re.sub(rf"(?m)^{key} = .*$", f"{key} = {value}", model_text(load("d5-cylinder")), count=1)
    with pytest.raises(ModelError, match=rf"{key} is {value}, but must not be less than {least}; enlarge it"):
        model_from_text(text)


@pytest.mark.parametrize("key", ["name", "description", "material", "lineage"])
@pytest.mark.parametrize("sign", ["\\u001b", "\\u009b", "\\u007f", "\\u202e", "\\u0000"])
def test_a_text_that_a_terminal_would_obey_is_refused(key: str, sign: str) -> None:
    text = model_text(load("d5-cylinder"))
    hostile = re.sub(rf'(?m)^{key} = ".*$', lambda _: f'{key} = "x{sign}y"', text, count=1)
    assert hostile != text
    with pytest.raises(ModelError, match=rf"model.{key}: .*would obey.*; take it out") as refused:
        model_from_text(hostile)
    assert str(refused.value).isprintable()


def test_of_very_many_faults_the_first_are_told() -> None:
    text = model_text(load("d5-cylinder")) + "\n".join(f"k{n} = 1" for n in range(9000))
    with pytest.raises(ModelError) as refused:
        model_from_text(text)
    assert "more than 20 faults, among them" in str(refused.value)
    assert str(refused.value).count("\n") == 20
