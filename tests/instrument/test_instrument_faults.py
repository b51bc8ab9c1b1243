import copy
import re
import tomllib
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluewright.errors import ModelError
from fluewright.instrument.faults import find_faults
from fluewright.instrument.files import validate_model
from fluewright.instrument.parts import Hole
from fluewright.instrument.practice import warnings_for
from fluewright.instrument.shape import bore_diameter_mm, edge_above_floor_mm, outside_diameter_mm, wall_mm, web_mm
from fluewright.instrument.starting import load, starting_models

Data = dict[str, Any]


def _data() -> Data:
    return tomllib.loads(starting_models()["d5-cylinder"].read_text(encoding="utf-8"))


def _changed(change: Callable[[Data], object]) -> Data:
    data = copy.deepcopy(_data())
    change(data)
    return data


def test_profiles_are_straight_between_stations_and_constant_beyond() -> None:
    model = load("f4-taper")
    stations = model.bore.stations_mm
    (x0, d0), (x1, d1) = stations[-2:]
    assert bore_diameter_mm(model, 0.5 * (x0 + x1)) == pytest.approx(0.5 * (d0 + d1))
    assert bore_diameter_mm(model, model.length_mm + 50.0) == d1
    places = np.linspace(0.0, model.length_mm, 7)
    assert wall_mm(model, places) == pytest.approx(
        0.5 * (outside_diameter_mm(model, places) - bore_diameter_mm(model, places))
    )
    assert wall_mm(model, 100.0) == pytest.approx(float(wall_mm(model, np.array([100.0]))[0]))


def test_at_a_step_each_side_has_its_own_diameter() -> None:
    data = _changed(_stations([90.0, 12.7], [90.0, 12.0]))
    data["bore"]["outside_mm"][1:1] = [[90.0, 19.0], [90.0, 17.0]]
    model = validate_model(data)
    assert bore_diameter_mm(model, 90.0) == 12.0
    assert bore_diameter_mm(model, 90.0, side="head") == 12.7
    assert outside_diameter_mm(model, 90.0) == 17.0
    assert outside_diameter_mm(model, 90.0, side="head") == 19.0
    assert wall_mm(model, 90.0) == 2.5
    assert wall_mm(model, 90.0, side="head") == pytest.approx(3.15)
    places = np.array([-100.0, 0.0, 89.999, 90.0, 90.001, 500.0])
    head, foot = (bore_diameter_mm(model, places, side=side) for side in ("head", "foot"))
    assert np.isfinite(head).all()
    assert head == pytest.approx([12.7, 12.7, 12.7, 12.7, 12.0, 12.7], abs=1e-3)
    assert foot == pytest.approx([12.7, 12.7, 12.7, 12.0, 12.0, 12.7], abs=1e-3)
    assert find_faults(model) == []
    assert warnings_for(model) == []


@given(st.floats(-40.0, 270.0))
def test_away_from_a_step_both_sides_are_one(x: float) -> None:
    model = validate_model(_changed(_stations([90.0, 12.7], [90.0, 12.0])))
    if abs(x - 90.0) > 1e-9:
        assert bore_diameter_mm(model, x, side="head") == pytest.approx(bore_diameter_mm(model, x), abs=1e-12)


def test_undercuts_that_pass_each_other_round_the_body_do_not_meet() -> None:
    data = _changed(_beside(0.0))
    for hole in data["holes"][:2]:
        hole["undercut"] = {"upstream_mm": 2.0}
    data["holes"][1].update(position_mm=data["holes"][0]["position_mm"], angle_deg=70.0)
    assert find_faults(validate_model(data)) == []
    data["holes"][1].update(position_mm=data["holes"][0]["position_mm"] + 7.0, angle_deg=0.0)
    with pytest.raises(ModelError, match=r"with undercut .* it overlaps holes.1 .* by 1\.0 at the bore"):
        validate_model(data)


def test_a_thumb_hole_may_lie_below_the_ramp_and_a_tube_with_a_plug_may_have_its_windway_inside() -> None:
    thumb = _changed(_set_hole(0, position_mm=15.0, diameter_mm=5.0, angle_deg=180.0, outer_round_mm=0.6))
    assert find_faults(validate_model(thumb)) == []
    # The tube's own wall is the roof, so the floor lies a windway's height below the bore's top line.
    plugged = _changed(_way(floor_height_mm=-0.9))
    assert find_faults(validate_model(plugged)) == []


def test_the_view_is_half_the_exit_height_plus_the_offset() -> None:
    assert edge_above_floor_mm(load("d5-cylinder").head) == pytest.approx(0.05)


@given(st.floats(-360.0, 360.0), st.floats(-360.0, 360.0))
def test_the_web_goes_the_shorter_way_round_the_body(first_deg: float, second_deg: float) -> None:
    model = load("d5-cylinder")
    first = Hole(name="a", position_mm=150.0, diameter_mm=5.0, angle_deg=first_deg)
    second = Hole(name="b", position_mm=150.0, diameter_mm=5.0, angle_deg=second_deg)
    turn = abs((first_deg - second_deg + 180.0) % 360.0 - 180.0)
    assert web_mm(model, first, second) == pytest.approx(np.pi * 12.7 * turn / 360.0 - 5.0, abs=1e-9)
    assert web_mm(model, first, second) == pytest.approx(web_mm(model, second, first))


def _set_hole(index: int, **values: object) -> Callable[[Data], object]:
    return lambda data: data["holes"][index].update(values)


def _stations(*rows: list[float]) -> Callable[[Data], object]:
    return lambda data: data["bore"]["stations_mm"].__setitem__(slice(1, 1), [list(row) for row in rows])


def _head(**values: object) -> Callable[[Data], object]:
    return lambda data: data["head"].update(values)


def _way(**values: object) -> Callable[[Data], object]:
    return lambda data: data["head"]["windway"].update(values)


def _near_foot(from_foot_mm: float, **values: object) -> Callable[[Data], object]:
    return lambda data: data["holes"][5].update(
        {"position_mm": data["bore"]["stations_mm"][-1][0] - from_foot_mm, "diameter_mm": 5.0, **values}
    )


def _beside(angle_deg: float) -> Callable[[Data], object]:
    """Bring hole 2 to 7 mm below hole 1, both 6 mm wide, so that 1 mm of bore stays between them."""

    def change(data: Data) -> None:
        first = data["holes"][0]["position_mm"]
        data["holes"][0].update(diameter_mm=6.0)
        data["holes"][1].update(position_mm=first + 7.0, diameter_mm=6.0, angle_deg=angle_deg)

    return change


FAULTS: list[tuple[Callable[[Data], object], str]] = [
    (
        _set_hole(5, position_mm=312.0),
        r'holes.6 \(name "6"\): position_mm is 312.0, beyond the foot end at .*; move',
    ),
    (
        lambda d: _set_hole(5, position_mm=d["bore"]["stations_mm"][-1][0] - 1)(d),
        "lower edge is at .* beyond the foot",
    ),
    (_set_hole(0, position_mm=6.0), r'holes.1 \(name "1"\): the hole\'s upper edge is at .* over the window'),
    (
        _set_hole(1, position_mm=119.0, diameter_mm=7.0),
        r'holes.2 \(name "2"\): overlaps holes.1 \(name "1"\) by',
    ),
    (_set_hole(1, position_mm=20.0), "above the hole before it .* list the holes from head to foot"),
    (_set_hole(1, name="1"), "the name is also that of holes.1"),
    (_set_hole(2, diameter_mm=13.0), "diameter_mm is 13.0, not less than the bore of 12.7"),
    (_set_hole(2, outer_round_mm=2.0, inner_chamfer_mm=2.0), "together more than the wall of"),
    (
        _set_hole(2, min_diameter_mm=7.0, max_diameter_mm=6.0),
        "min_diameter_mm is 7.0, above max_diameter_mm 6.0",
    ),
    (lambda d: d["head"].update(block_depth_mm=4.5), "the block covers the whole window of 4.5"),
    (
        lambda d: d["head"].update(window_width_mm=12.7),
        "head.window_width_mm is 12.7, not less than the bore",
    ),
    (
        lambda d: d["head"]["windway"].update(width_mm=14.0),
        "head.windway.width_mm is 14.0, not less than the bore",
    ),
    (lambda d: d["head"]["upper_chamfer"].update(length_mm=99.0), "longer than the windway"),
    (lambda d: d["bore"]["outside_mm"].__setitem__(0, [-40.0, 5.0]), "so no wall is left"),
    (
        lambda d: d["bore"]["stations_mm"].insert(1, [-28.5, 12.7]),
        "station 2 is at x = -28.5, not beyond station 1 at -28.0; list the stations from head to foot",
    ),
    (
        lambda d: d["bore"]["stations_mm"].insert(1, [-28.0, 12.5]),
        "bore.stations_mm: stations 1 and 2 are both at x = -28.0, the first place; a step .* leave one of them out",
    ),
    (
        lambda d: d["bore"]["outside_mm"].append(d["bore"]["outside_mm"][-1]),
        "bore.outside_mm: stations 2 and 3 are both at x = .*, the last place",
    ),
    (_stations([90.0, 12.7], [90.0, 12.0], [90.0, 11.0]), "stations 2, 3 and 4 are all at x = 90.0; .* two stations"),
    (
        _stations([90.0, 12.7], [90.04, 12.0], [100.0, 12.0]),
        r"from 12.7 to 12.0 within 0.04, less than 0.05; write a step: .* \[90.04, 12.7\], \[90.04, 12.0\]",
    ),
    (
        lambda d: d["bore"]["outside_mm"].__setitem__(slice(1, 1), [[90.0, 19.0], [90.01, 18.0]]),
        "bore.outside_mm: from station 2 to 3 .* write a step",
    ),
    (_stations([90.0, 19.5], [90.0, 12.0]), "at x = 90.0, on the head side of the step, .* so no wall is left"),
    (_stations([90.0, 12.7], [90.0, 19.5]), "at x = 90.0, on the foot side of the step, .* so no wall is left"),
    (_stations([90.0, 1.9]), "bore.stations_mm: station 2 has the diameter 1.9, outside the 2.0 to 100.0 .* widen it"),
    (_stations([90.0, 100.5]), "station 2 has the diameter 100.5, outside the 2.0 to 100.0 .* make it narrower"),
    (_way(floor_height_mm=3.2), "floor_height_mm is 3.2, so the floor lies outside the body, which reaches 3.15"),
    (_way(exit_height_mm=3.3, entry_height_mm=3.0), "exit_height_mm is 3.3, so the roof at the exit lies 3.3 above"),
    (_way(entry_height_mm=3.3), "entry_height_mm is 3.3, so the roof at the entry lies 3.3 above the bore, outside"),
    (_way(entry_flare_mm=2.2), "entry_flare_mm is 2.2, so the roof at the entry lies 3.2 above the bore, outside"),
    (
        _way(floor_height_mm=-2.6),
        "even the roof at the exit lies 1.7 below .* inside the bore; raise the floor to -2.4",
    ),
    (_way(entry_flare_mm=29.0), "entry_flare_mm is 29.0, longer than the windway of 28.0"),
    (
        lambda d: (d["head"].update(block_depth_mm=-20.0), d["head"]["windway"].update(length_mm=20.0)),
        "head.block_depth_mm is -20.0, so the recess is as deep as the windway is long, 20.0",
    ),
    (_head(edge_offset_mm=2.7), "edge_offset_mm is 2.7, so the edge would stand 3.15 above the bore, outside the wall"),
    (_head(edge_offset_mm=-6.9), "edge would stand 6.45 below the bore's top line, beyond the bore's axis at 6.35"),
    (_head(ear_height_mm=3.2), "ear_height_mm is 3.2, higher than the body's wall of 3.15 .* make the ears lower"),
    (_head(broken_edge_mm=4.5), "broken_edge_mm is 4.5, not less than the window's length of 4.5"),
    (_head(broken_edge_mm=3.2), "broken_edge_mm is 3.2, not less than the wall of 3.15 at the edge"),
    (_head(broken_edge_mm=3.12), "so the edge would stand 0.05 above the bore, outside the wall"),
    (
        _head(upper_chamfer={"length_mm": 3.0, "angle_deg": 60.0}),
        "upper_chamfer.length_mm is 3.0, so it rises 2.5981 above the roof, through the wall, of which 2.25 is left",
    ),
    (
        _head(lower_chamfer={"length_mm": 13.5, "angle_deg": 80.0}),
        "lower_chamfer.length_mm is 13.5, so it drops 13.2949 below the floor, through the whole block of 12.7",
    ),
    (
        _set_hole(4, undercut={"all_round_mm": 0.5, "upstream_mm": 8.0}),
        r'holes.5 \(name "5"\): with undercut and inner_chamfer_mm it overlaps holes.4 .* at the bore; undercut less',
    ),
    (_set_hole(2, undercut={"all_round_mm": 3.5}), "with undercut .* wide at the bore, not less than the bore of 12.7"),
    (_set_hole(2, undercut={"all_round_mm": 2.5}, inner_chamfer_mm=1.0), "wide at the bore, not less than the bore"),
    (_near_foot(5.0, undercut={"downstream_mm": 3.0}), "reach to .*, beyond the foot end at .* less toward the foot"),
    (_near_foot(4.0, diameter_mm=7.0, inner_chamfer_mm=0.6), "inner_chamfer_mm reach to .*, beyond the foot end"),
    (_near_foot(4.0, diameter_mm=7.0, outer_round_mm=0.6), "outer_round_mm reaches to .*, beyond the foot end"),
    (
        _set_hole(0, position_mm=12.0, diameter_mm=5.0, undercut={"upstream_mm": 5.5}),
        "reach up to 4.0, into the window, which ends at 4.5; undercut less toward the head",
    ),
    (
        _set_hole(0, position_mm=19.0, diameter_mm=5.0, outer_round_mm=0.9),
        r"its rim \(outer_round_mm 0.9\) begins at 15.6, on the window's ramp, which ends at 15.69\d+; move the hole",
    ),
    (
        lambda d: (_beside(0.0)(d), d["holes"][0].update(outer_round_mm=0.9), d["holes"][1].update(outer_round_mm=0.9)),
        r'holes.2 \(name "2"\): with outer_round_mm it overlaps holes.1 \(name "1"\) by 0.8 on the outside',
    ),
    (
        lambda d: d["bore"]["stations_mm"].__setitem__(0, [3.0, 12.7]),
        "the first station is at x = 3.0, below the block",
    ),
    (
        lambda d: d["bore"]["outside_mm"].__setitem__(0, [3.0, 19.0]),
        "outside_mm: the first station is at x = 3.0",
    ),
    (
        lambda d: d["bore"]["outside_mm"].__setitem__(-1, [200.0, 19.0]),
        "the last station is at x = 200.0, but the bore",
    ),
    (lambda d: d["head"].update(window_length_mm=900.0), "is not beyond the edge at 900.0"),
    (lambda d: d["fingerings"]["register_1"].update(D5="ccc cc"), "fingerings.register_1.D5: .* 5 letters"),
    (lambda d: d["fingerings"]["register_1"].update(D5="ccc cxx"), 'fingerings.register_1.D5: .* has "x"'),
    (lambda d: d["fingerings"]["register_1"].update(Gb5="ccc coo"), "Gb5: is the same note as F#5"),
    (lambda d: d["fingerings"].update(register_3={}), "fingerings.register_3: there is no note"),
    (lambda d: d.update(fingerings={}), "fingerings: there is none"),
    (lambda d: d["limits"].update(smallest_hole_mm=9.0), "limits.smallest_hole_mm is 9.0, above"),
    (
        lambda d: d["limits"].update(length_min_mm=9.0, length_max_mm=8.0),
        "limits.length_min_mm is 9.0, above",
    ),
    (lambda d: d["limits"].update(fixed=["head.window_lenght_mm"]), "did you mean window_length_mm"),
    (lambda d: d["limits"].update(fixed=["holes.9.position_mm"]), "no hole has the name 9"),
]


@pytest.mark.parametrize(("change", "message"), FAULTS)
def test_an_impossible_model_is_refused_with_place_value_limit_and_mend(
    change: Callable[[Data], object], message: str
) -> None:
    with pytest.raises(ModelError, match=message):
        validate_model(_changed(change))


def test_holes_on_opposite_sides_do_not_overlap() -> None:
    data = _changed(_set_hole(1, position_mm=_data()["holes"][0]["position_mm"], angle_deg=180.0))
    assert find_faults(validate_model(data)) == []


WARNINGS: list[tuple[Callable[[Data], object], str]] = [
    (
        lambda d: d["head"]["windway"].update(width_mm=8.8),
        "windway.width_mm is 8.8, wider than the window of 8.5",
    ),
    (lambda d: d["head"]["windway"].update(exit_height_mm=1.1), "higher than the entry"),
    (lambda d: d["head"].update(edge_offset_mm=-0.6), "below the line of the floor"),
    (lambda d: d["head"].update(edge_offset_mm=0.1), "expect hiss"),
    (lambda d: d["head"].update(window_length_mm=2.0), "3.5 to 5 is usual"),
    (lambda d: d["head"].update(window_width_mm=12.0), "0.6 to 0.75 is usual"),
    (lambda d: d["head"].update(ramp_angle_deg=40.0), "tone is dull"),
    (lambda d: d["head"].update(block_depth_mm=-1.5), "octaves become narrow"),
    (lambda d: d["head"].update(block_depth_mm=3.0), "more than half of the window"),
    (lambda d: d["head"].update(broken_edge_mm=0.4), "0.05 to 0.15 is usual"),
    (lambda d: d["head"]["upper_chamfer"].update(length_mm=2.0), "a quarter of the window"),
    (lambda d: d["head"]["lower_chamfer"].update(length_mm=2.0), "tilt toward the bore"),
    (_set_hole(0, diameter_mm=3.5), "below the least allowed 4.0"),
    (_set_hole(0, diameter_mm=9.0), "above the most allowed 8.5"),
    (_set_hole(0, diameter_mm=11.0), "more than 0.8 of the bore"),
    (_set_hole(0, min_position_mm=200.0), "above its place 200.0"),
    (_set_hole(0, max_position_mm=20.0), "below its place 20.0"),
    (
        lambda d: _set_hole(5, position_mm=d["bore"]["stations_mm"][-1][0] - 4.5)(d),
        "limits.foot_margin_mm asks for 4.0",
    ),
    (lambda d: d["limits"].update(smallest_web_mm=6.0), "the web to .* less than limits.smallest_web_mm 6.0"),
    (
        lambda d: (
            _beside(0.0)(d),
            d["holes"][0].update(undercut={"downstream_mm": 0.7}),
            d["limits"].update(smallest_web_mm=0.5),
        ),
        "its undercut leaves a web of 0.3 to that of holes.1",
    ),
    (_stations([90.0, 12.7], [90.0, 12.7]), r"stations 2 and 3 are the same, \[90.0, 12.7\]; leave one of them out"),
    (
        lambda d: _stations([d["holes"][0]["position_mm"] + 1.0, 12.7], [d["holes"][0]["position_mm"] + 1.0, 12.0])(d),
        r'holes.1 \(name "1"\): lies across the step of the bore at',
    ),
    (lambda d: d["limits"].update(length_max_mm=200.0), "limits.length_max_mm is 200.0, but the foot"),
    (
        lambda d: d["limits"]["reach_mm"].update(index_middle=8.0),
        "more than limits.reach_mm.index_middle 8.0",
    ),
    (lambda d: d["limits"]["reach_mm"].update(between_hands_least=40.0), "the hands would touch"),
    (lambda d: d["model"].update(lowest_note="C5"), "the lowest fingered note is D5"),
]


@pytest.mark.parametrize(("change", "message"), WARNINGS)
def test_what_goes_beyond_usual_practice_is_warned_of_but_allowed(
    change: Callable[[Data], object], message: str
) -> None:
    text = "\n".join(warnings_for(validate_model(_changed(change))))
    assert re.search(message, text), text
