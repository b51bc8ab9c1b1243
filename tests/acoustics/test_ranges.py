"""A formula beyond its range is always said, with its key, its value and its range; inside nothing is said."""

import copy
import json
import math
from pathlib import Path

import numpy as np
import pytest

from fluewright.acoustics.hole_ranges import SOLVED_HOLE
from fluewright.acoustics.kernels.holes import CONSTANTS, OPEN, SOLVED, Fingers, hole_constants
from fluewright.acoustics.kernels.offsets import HOLE_SIZES
from fluewright.acoustics.network import PUBLISHED, Rules, build_network
from fluewright.acoustics.range_notes import RangeNote
from fluewright.acoustics.ranges import out_of_range
from fluewright.acoustics.resonance import resonances
from fluewright.acoustics.window_ranges import window_ranges, window_sizes
from fluewright.air import moist_air
from fluewright.errors import InputError
from fluewright.instrument.files import validate_model
from fluewright.instrument.starting import load, starting_models

HZ = (500.0, 1500.0)


@pytest.fixture(scope="module")
def raw():
    return load("d5-cylinder").model_dump(mode="json")


def changed(raw, **edits):
    """Return the model with keys such as ``head__ramp_angle_deg`` (holes and stations by index) replaced."""
    data = copy.deepcopy(raw)
    for key, value in edits.items():
        *path, last = (int(name) if name.isdigit() else name for name in key.split("__"))
        node = data
        for name in path:
            node = node[name]
        node[last] = value(data) if callable(value) else value
    return validate_model(data, place="test")


def foot_mm(raw):
    return raw["bore"]["stations_mm"][-1][0]


def just_below_hole_4(data, web_mm=1.2):
    """Return the place of hole 5 that leaves this web to hole 4: less than a quarter of the bore's radius."""
    fourth, fifth = data["holes"][3:5]
    return fourth["position_mm"] + 0.5 * (fourth["diameter_mm"] + fifth["diameter_mm"]) + web_mm


def thin_wall(data, wall_mm=1.5):
    """Return an outside over which the wall of the d5 whistle is two fifths of a hole's radius."""
    head, bore = data["bore"]["stations_mm"][0]
    return [[head, bore + 6.3], [40.0, bore + 6.3], [60.0, bore + 2 * wall_mm], [foot_mm(data), bore + 2 * wall_mm]]


def keys(notes):
    return {n.key for n in notes}


def test_ordinary_whistle_is_inside_every_range(raw):
    assert out_of_range(changed(raw), HZ) == ()


@pytest.mark.parametrize(
    ("edits", "key", "formula"),
    [
        ({"head__window_length_mm": 6.6}, "head.window_length_mm", "window"),
        ({"head__window_width_mm": 4.0}, "head.window_width_mm", "window"),
        ({"head__ramp_angle_deg": 85.0}, "head.ramp_angle_deg", "window"),
        ({"head__block_depth_mm": -4.0}, "head.block_depth_mm", "window"),
        ({"head__edge_offset_mm": 1.2}, "head.edge_offset_mm", "window"),
        ({"bore__outside_mm__0__1": 24.0, "bore__outside_mm__1__1": 24.0}, "bore.outside_mm", "window"),
        ({"bore__wall_loss_factor": 2.0}, "bore.wall_loss_factor", "loss"),
        ({"holes__2__diameter_mm": 11.9}, "holes.3.diameter_mm", "matching"),
        ({"bore__outside_mm": thin_wall}, "holes.3.diameter_mm", "series length"),
        ({"holes__2__inner_chamfer_mm": 2.5}, "holes.3.inner_chamfer_mm", "finished chimney"),
        ({"holes__2__outer_round_mm": 1.8}, "holes.3.outer_round_mm", "finished chimney"),
        ({"holes__2__waist_mm": 1.1}, "holes.3.waist_mm", "finished chimney"),
        (
            {"holes__2__undercut": {"all_round_mm": 0.5, "angle_deg": 60.0}},
            "holes.3.undercut.angle_deg",
            "finished chimney",
        ),
        ({"holes__2__undercut": {"all_round_mm": 2.0}}, "holes.3.undercut", "undercut's horn"),
        ({"holes__2__undercut": {"all_round_mm": 1.0, "angle_deg": 10.0}}, "holes.3.outer_round_mm", "chimney"),
        ({"holes__4__position_mm": just_below_hole_4}, "holes.5.position_mm", "coupling"),
        ({"player__finger_bulge": 0.7}, "player.finger_bulge", "finger"),
        ({"conditions__temperature_c": 35.0}, "conditions.temperature_c", "Cramer"),
        ({"conditions__temperature_c": 10.0}, "conditions.temperature_c", "density"),
        ({"conditions__co2_fraction": 0.04}, "conditions.co2_fraction", "Cramer"),
        ({"conditions__pressure_pa": 55000.0}, "conditions.pressure_pa", "density"),
    ],
)
def test_each_formula_says_which_size_leaves_its_range(raw, edits, key, formula):
    found = [n for n in out_of_range(changed(raw, **edits), HZ) if n.key == key and formula in n.formula]
    assert found
    for note in found:
        assert not note.low <= note.value <= note.high
        for word in (key, note.formula, f"{note.value:.4g}", note.effect):
            assert word in note.text
        bound = note.high if math.isinf(note.low) or note.value > note.high else note.low
        assert f"{bound:.4g}" in note.text


def test_steep_cone_is_said_at_its_lower_station(raw):
    head, foot = [-28.0, 12.7], [foot_mm(raw), 15.0]
    model = changed(raw, bore__stations_mm=[head, [200.0, 12.7], [205.0, 15.0], foot])
    (note,) = [n for n in out_of_range(model, HZ) if "cone" in n.formula]
    assert note.key == "bore.stations_mm.3.diameter"
    assert note.value == pytest.approx(math.degrees(math.atan(1.15 / 5.0)))
    gentle = [head, [200.0, 12.7], [207.0, 15.0], foot]
    assert not [n for n in out_of_range(changed(raw, bore__stations_mm=gentle), HZ) if "cone" in n.formula]


def test_half_open_share_counts_only_where_a_fingering_is_half_open(raw):
    assert out_of_range(changed(raw, player__half_open_fraction=0.95), HZ) == ()
    model = changed(raw, player__half_open_fraction=0.95, fingerings={"register_1": {"D5": "ccc cch"}})
    assert keys(out_of_range(model, HZ)) == {"player.half_open_fraction"}


def test_only_the_highest_and_the_lowest_frequency_count(raw):
    model = changed(raw)
    high = out_of_range(model, [500.0, np.nan, 20000.0])
    assert {"the highest frequency", "bore.stations_mm", "bore.stations_mm.2.diameter"} <= keys(high)
    (foot,) = [n for n in high if "open end" in n.formula]
    assert foot.value == pytest.approx(2 * math.pi * 20000.0 / build_network(model).air.sound_speed * 6.35e-3)
    assert foot.high == 2.0
    for none in ([], [np.nan], [-1.0], [np.inf], [0.0]):
        with pytest.raises(InputError, match="frequencies"):
            out_of_range(model, none)


def test_air_notes_cover_all_that_the_air_says_of_itself():
    """Every warning of `air.py` has its note, so that none is lost when the notes are printed instead."""
    model = load("d5-cylinder")
    for t in (-10.0, -0.5, 5.0, 20.0, 28.0, 35.0, 45.0):
        for p in (52e3, 70e3, 101325.0, 105e3, 115e3):
            for x in (0.0004, 0.02, 0.08):
                air = moist_air(t, co2_fraction=x, pressure_pa=p)
                notes = [n for n in out_of_range(build_network(model, air=air), HZ) if n.key.startswith("conditions")]
                for line in air.warnings:
                    key, value = line.split()[:2]
                    said = [n for n in notes if n.key.endswith(key) and f"{n.value:g}" == value]
                    assert any(f"{n.high:g}" in line or f"{n.low:g}" in line for n in said), line


def test_published_rules_have_their_own_ranges(raw):
    model = changed(raw, head__edge_offset_mm=1.2, head__ramp_angle_deg=50.0)
    assert {"head.edge_offset_mm", "head.ramp_angle_deg"} <= keys(out_of_range(model, HZ))
    plain = keys(out_of_range(build_network(model, rules=PUBLISHED), HZ))
    assert "head.ramp_angle_deg" not in plain
    assert "head.edge_offset_mm" not in plain
    # Without coupling even an ordinary web between two holes is too narrow.
    assert "holes.5.position_mm" in plain


def test_window_table_follows_the_study_it_is_given():
    table = window_ranges({"cases": 3, "range": {"w": [0.2, 0.4], "ramp": [0.2, 0.5]}})
    assert [(r.name, r.low) for r in table.ranges] == [("w", 0.2), ("ramp", pytest.approx(math.degrees(0.2)))]
    assert "3" in table.formula
    for wrong, says in (
        ({}, "range"),
        ({"range": {"w": [0.4]}}, "range"),
        ({"range": {"w": [0.4, 0.2]}}, "lower one first"),
        ({"range": {"q": [0.1, 0.2]}}, "no size"),
    ):
        with pytest.raises(InputError, match=says):
            window_ranges(wrong)


def test_shipped_study_names_every_size_of_the_window():
    model = load("d5-cylinder")
    model = model.model_copy(update={"head": model.head.model_copy(update={"ear_height_mm": 1.0})})
    assert {r.name for r in window_ranges().ranges} <= set(window_sizes(model))
    assert window_sizes(model)["w"] == pytest.approx(4.5 / 6.35)
    assert window_sizes(model)["ear_full"] - window_sizes(model)["ear_lost"] == pytest.approx(1.0 / 6.35)


@pytest.mark.parametrize("name", list(starting_models()))
def test_starting_models_do_not_leave_the_physics(name):
    """Some sizes lie past what was compared; none may lie where a formula breaks down."""
    network = build_network(load(name))
    notes = out_of_range(network, resonances(network).frequencies_hz)
    assert all(isinstance(n, RangeNote) for n in notes)
    broken = (
        "cone", "plane-wave", "open end", "matching", "outside length", "undercut's", "finished chimney", "Cramer",
    )  # fmt: skip
    assert not [n.text for n in notes if any(word in n.formula for word in broken)]


def test_hole_ranges_lie_within_the_solved_holes():
    """Every bound of the solved rule is one that a solved hole reaches, rounded inward or by less than 1 %."""
    folder = Path(__file__).parents[2] / "research" / "holes" / "cases"
    inner, height, horn, angles = [], [], [], []
    shares = {name: [] for name in SOLVED_HOLE.finish}
    for path in folder.glob("*.json"):
        case = json.loads(path.read_text(encoding="utf-8"))
        if case["family"] != "single" or case["status"] != "solved":
            continue
        wall, hole = case["parameters"]["wall"], case["parameters"]["holes"][0]
        b, cut, one_sided = hole["radius"], hole["undercut"], hole["upstream"]
        angle = hole["upstream_deg"] if one_sided else hole["undercut_deg"]
        size, made = np.zeros(HOLE_SIZES), np.empty(CONSTANTS)
        size[1:7] = b, hole["outer_round"], hole["inner_chamfer"], cut, one_sided, 0.0
        size[7:] = math.tan(math.radians(angle)), hole["waist"]
        hole_constants(1.0, 1.0 + wall, size, OPEN, Fingers(1.0, 0.0, 1.0), SOLVED, made)
        inner.append(made[8])
        height.append(wall / made[8])
        horn.append(made[8] / made[4])
        if cut + one_sided > 0.0:
            angles.append(angle)
        for name, found in shares.items():
            found.append(hole[name.removesuffix("_mm")] / b)
    assert len(inner) >= 30
    assert SOLVED_HOLE.most_inner <= 1.01 * max(inner)
    assert SOLVED_HOLE.least_height >= 0.99 * min(height)
    assert SOLVED_HOLE.most_horn <= 1.01 * max(horn)
    assert 0.99 * min(angles) <= SOLVED_HOLE.undercut_deg[0] < SOLVED_HOLE.undercut_deg[1] <= 1.01 * max(angles)
    for name, most in SOLVED_HOLE.finish.items():
        assert most <= 1.01 * max(shares[name])


@pytest.mark.parametrize(("rule", "least", "source"), [("lefebvre", 0.6, "Lefebvre"), ("dubos", 0.6, "Dubos")])
def test_published_hole_rules_keep_their_older_ranges(raw, rule, least, source):
    """A wall of half the hole's radius was solved by us, but lies beyond the publications; finishes are not theirs."""
    model = changed(raw, bore__outside_mm=lambda data: thin_wall(data, wall_mm=1.9), holes__2__waist_mm=1.1)
    mine = out_of_range(model, HZ)
    assert keys(mine) == {"holes.3.waist_mm"}
    theirs = out_of_range(build_network(model, rules=Rules(hole_rule=rule)), HZ)
    assert "holes.3.waist_mm" not in keys(theirs)
    series = [n for n in theirs if "series length" in n.formula]
    assert [n.key for n in series] == [f"holes.{h.name}.diameter_mm" for h in model.holes]
    assert all(n.low == least and source in n.formula for n in series)
