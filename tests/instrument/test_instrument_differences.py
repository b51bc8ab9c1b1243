"""What differs between two models: nothing from itself, and all of it leads from one to the other."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fluewright.instrument.differences import model_numbers, size_differences
from fluewright.instrument.files import validate_model
from fluewright.instrument.starting import load, starting_models

MODELS = {name: load(name) for name in starting_models()}


def set_number(raw, path, value):
    """Set one number in a model's plain data; None takes it out. Lists and stations are filled from dicts later."""
    place = raw
    for part in path[:-1]:
        place = place.setdefault(part, {})
    if value is None:
        del place[path[-1]]
    else:
        place[path[-1]] = value


def tree_of(model):
    raw = {}
    for path, value in model_numbers(model).items():
        set_number(raw, path, value)
    return raw


def pruned(tree):
    """Return the tree without branches that hold nothing."""
    kept = {key: pruned(part) if isinstance(part, dict) else part for key, part in tree.items()}
    return {key: part for key, part in kept.items() if part != {}}


@st.composite
def changed(draw):
    """A starting model with some sizes changed, holes left out, optional keys set or left out."""
    raw = MODELS[draw(st.sampled_from(sorted(MODELS)))].model_dump()
    by = st.floats(-0.2, 0.2)
    for key in draw(st.sets(st.sampled_from(["window_length_mm", "edge_offset_mm", "block_depth_mm"]))):
        raw["head"][key] += draw(by)
    raw["head"]["ear_height_mm"] = draw(st.sampled_from([None, 1.0]))
    raw["target"]["offsets_cents"] = draw(st.dictionaries(st.sampled_from(["D5", "C#"]), st.floats(-9.0, 9.0)))
    raw["limits"]["drills_mm"] = tuple(draw(st.lists(st.floats(1.0, 9.0), max_size=3)))
    if draw(st.booleans()):
        stations = list(raw["bore"]["stations_mm"])
        (x1, d1), (x2, d2) = stations[-2:]
        raw["bore"]["stations_mm"] = (*stations[:-1], (0.5 * (x1 + x2), 0.5 * (d1 + d2)), stations[-1])
    holes = list(raw["holes"])
    if draw(st.booleans()):
        gone = draw(st.integers(0, len(holes) - 1))
        del holes[gone]
        raw["fingerings"] = {
            r: {
                n: t.replace(" ", "")[:gone] + t.replace(" ", "")[gone + 1 :]
                for n, t in notes.items()
                if isinstance(t, str)
            }
            for r, notes in raw["fingerings"].items()
        }
    if holes:
        hole = draw(st.sampled_from(holes))
        hole["diameter_mm"] += draw(by)
        hole["name"] = draw(st.sampled_from([hole["name"], "a.position_mm", "x_deg"]))
    raw["holes"] = tuple(holes)
    return validate_model(raw)


@given(changed())
@settings(max_examples=40, deadline=None)
def test_a_model_differs_in_nothing_from_itself(model):
    assert size_differences(model, model) == ()
    assert size_differences(model, validate_model(model.model_dump())) == ()


@given(changed(), changed())
@settings(max_examples=80, deadline=None)
def test_all_differences_lead_from_one_model_to_the_other(old, new):
    found = size_differences(old, new)
    raw = tree_of(old)
    for difference in found:
        assert difference.before != difference.after
        set_number(raw, difference.path, difference.after)
    assert pruned(raw) == pruned(tree_of(new))
    back = {d.path: (d.before, d.after) for d in size_differences(new, old)}
    assert back == {d.path: (d.after, d.before) for d in found}


def test_every_number_of_the_file_is_compared():
    """Each number moved by itself is found as the only difference, with its unit."""
    model = load("c5-eight-hole")
    units = {"head.window_length_mm": "mm", "head.ramp_angle_deg": "deg", "target.a4_hz": "Hz",
             "target.breath.lowest_note_pa": "Pa", "conditions.temperature_c": "degC",
             "target.tolerance_cents": "cents",
             "holes.thumb.undercut.angle_deg": "deg", "limits.reach_mm.index_middle": "mm",
             "bore.stations_mm.2.diameter": "mm", "conditions.relative_humidity": "", "target.register_weights.2": "",
             "conditions.cooling_length_mm": "mm", "bore.wall_loss_factor": ""}  # fmt: skip
    for key, unit in units.items():
        path = tuple(key.split("."))
        before = model_numbers(model)[path]
        raw = model.model_dump()
        *parts, last = path
        place = raw
        for part in parts:
            if isinstance(place, list | tuple):
                names = [h["name"] for h in place] if isinstance(place[0], dict) else None
                place = place[names.index(part) if names else int(part) - 1]
            else:
                if isinstance(place[part], tuple):
                    place[part] = [list(p) if isinstance(p, tuple) else p for p in place[part]]
                place = place[part]
        place[{"x": 0, "diameter": 1}.get(last, int(last) - 1 if last.isdigit() else last)] = before * 0.999
        (found,) = size_differences(model, validate_model(raw))
        assert (found.key, found.unit, found.before) == (key, unit, before)
        assert found.change == pytest.approx(-0.001 * before)


def test_holes_that_came_and_went_have_no_number_on_one_side():
    six, eight = load("d5-cylinder"), load("c5-eight-hole")
    found = {d.key: d for d in size_differences(six, eight)}
    added = found["holes.thumb.position_mm"]
    assert (added.before, added.change) == (None, None)
    assert added.after == eight.holes[0].position_mm
    back = {d.key: d for d in size_differences(eight, six)}
    assert back["holes.thumb.diameter_mm"].after is None
    assert found["bore.stations_mm.3.x"].before is None
    assert all(math.isfinite(v) for d in found.values() for v in (d.before, d.after) if v is not None)
