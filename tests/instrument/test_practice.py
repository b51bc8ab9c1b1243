"""What can be made but is unusual: told from just beyond its bound, not at it, with the key, the value and the mend."""

import re
from typing import Any

import pytest

from fluewright.instrument.files import validate_model
from fluewright.instrument.practice import warnings_for
from fluewright.instrument.sizes import set_sizes, size_name
from fluewright.instrument.starting import load

MODEL = load("d5-cylinder")
BORE_MM = MODEL.bore.stations_mm[0][1]


def warned(raw: dict[str, Any]) -> list[str]:
    """Return the warnings, the names of holes left out where their numbers say the same."""
    return [re.sub(r' \(name "\d"\)', "", warning) for warning in warnings_for(validate_model(raw))]


def told(sizes: dict[str, float], **limits: Any) -> list[str]:
    """Return what is said of d5-cylinder with some sizes and limits set."""
    raw = set_sizes(MODEL.model_dump(mode="json"), {size_name(key): value for key, value in sizes.items()})
    raw["limits"].update(limits)
    return warned(raw)


HEAD = (
    # key, the last usual value, one just beyond, what the mend or the reason says
    ("windway.width_mm", 8.5, 8.51, "wider than the window"),
    ("windway.exit_height_mm", 1.0, 1.01, "higher than the entry"),
    ("window_length_mm", 6.3, 6.31, "above 7 the sound is slow"),
    ("window_length_mm", 2.71, 2.69, "below 3 the low notes are weak"),
    ("window_width_mm", 0.849 * BORE_MM, 0.851 * BORE_MM, "0.6 to 0.75 is usual"),
    ("ramp_angle_deg", 25.0, 25.1, "above 25 the tone is dull"),
    ("ramp_angle_deg", 10.0, 9.9, "below 10 the edge is fragile"),
    ("block_depth_mm", -1.0, -1.01, "the octaves become narrow"),
    ("block_depth_mm", 2.25, 2.26, "draw it back"),
    ("upper_chamfer.length_mm", 1.125, 1.13, "expect hiss"),
    ("lower_chamfer.length_mm", 0.75, 0.76, "tilt toward the bore"),
    ("broken_edge_mm", 0.3, 0.31, "the attack is slow"),
)


@pytest.mark.parametrize(("field", "usual", "beyond", "says"), HEAD, ids=[f"{h[0]} {h[2]:.2f}" for h in HEAD])
def test_a_head_is_unusual_from_just_beyond_the_bound(field: str, usual: float, beyond: float, says: str) -> None:
    key = f"head.{field}"
    assert not any(says in w for w in told({key: usual}))
    (warning,) = (w for w in told({key: beyond}) if says in w)
    assert warning.startswith(key)


def test_a_narrow_window_is_unusual_whatever_its_windway() -> None:
    for share, unusual in ((0.501, False), (0.499, True)):
        found = told({"head.window_width_mm": share * BORE_MM, "head.windway.width_mm": share * BORE_MM - 0.1})
        assert any("0.6 to 0.75 is usual" in w for w in found) == unusual


@pytest.mark.parametrize(("view_mm", "says"), [(0.0, "raise the edge"), (0.26, ""), (0.28, "lower the edge")])
def test_the_edge_stands_in_view_but_no_more_than_three_tenths_of_the_slit(view_mm: float, says: str) -> None:
    """Over the floor's line, which lies half a slit below the zero of the offset; 0.3 of a slit of 0.9 is 0.27."""
    floor_mm = -0.5 * MODEL.head.windway.exit_height_mm
    warnings = [w for w in told({"head.edge_offset_mm": floor_mm + view_mm}) if "head.edge_offset_mm" in w]
    assert [says in w for w in warnings] == ([True] if says else [])


def test_a_hole_outside_its_own_or_the_models_sizes_is_told_with_both() -> None:
    assert told({"holes.3.diameter_mm": 8.5}) == []
    (wide,) = told({"holes.3.diameter_mm": 8.6})
    assert wide == "holes.3: diameter_mm is 8.6, above the most allowed 8.5"
    (narrow,) = told({"holes.3.diameter_mm": 3.9})
    assert narrow == "holes.3: diameter_mm is 3.9, below the least allowed 4.0"
    raw = MODEL.model_dump(mode="json")
    raw["holes"][2] |= {"max_diameter_mm": 7.4, "min_position_mm": 161.0}
    raw["holes"][3] |= {"min_diameter_mm": 7.6, "max_position_mm": 185.0}
    assert warned(raw) == [
        "holes.3: diameter_mm is 7.5, above the most allowed 7.4",
        "holes.3: position_mm is 160.01, above its place 161.0",
        "holes.4: diameter_mm is 7.5, below the least allowed 7.6",
        "holes.4: position_mm is 185.17, below its place 185.0",
    ]


def test_a_hole_nearly_as_wide_as_the_bore_leaves_little_wall() -> None:
    assert told({"holes.3.diameter_mm": 0.8 * BORE_MM}, largest_hole_mm=12.0) == []
    (warning,) = told({"holes.3.diameter_mm": 0.81 * BORE_MM}, largest_hole_mm=12.0)
    assert "more than 0.8 of the bore of 12.7 there" in warning


def test_the_lowest_hole_keeps_its_margin_to_the_foot() -> None:
    low = MODEL.holes[-1]
    edge = low.position_mm + 0.5 * low.diameter_mm
    assert told({"length_mm": edge + 4.01}) == []
    (warning,) = told({"length_mm": edge + 3.9})
    assert warning.startswith("holes.6: only 3.9 is left")
    assert "limits.foot_margin_mm asks for 4.0" in warning


def test_the_body_keeps_to_the_lengths_that_the_model_allows() -> None:
    assert told({}, length_min_mm=264.43, length_max_mm=264.43) == []
    assert told({}, length_min_mm=264.5)[0].startswith("limits.length_min_mm is 264.5, but the foot end is at 264.43")
    assert told({}, length_max_mm=264.4)[0].startswith("limits.length_max_mm is 264.4, but the foot end is at 264.43")


def test_holes_near_each_other_are_told_by_the_wood_between_them() -> None:
    """Holes 4 and 5 lie 10.11 apart; two radii of 3.75 leave 2.61."""
    assert told({}, smallest_web_mm=2.6) == []
    (warning,) = told({}, smallest_web_mm=2.62)
    assert warning.startswith("holes.5: the web to holes.4 is 2.61, less than limits.smallest_web_mm 2.62")


def test_undercuts_that_nearly_meet_at_the_bore_are_told() -> None:
    cut = "undercut.all_round_mm"
    assert told({f"holes.4.{cut}": 1.0, f"holes.5.{cut}": 1.0}) == []
    (warning,) = told({f"holes.4.{cut}": 1.1, f"holes.5.{cut}": 1.1})
    assert "its undercut leaves a web of 0.41 to that of holes.4 at the bore, less than 0.5" in warning


def reach(**limits: float) -> list[str]:
    raw = MODEL.model_dump(mode="json")
    raw["limits"]["reach_mm"].update(limits)
    return warned(raw)


def test_a_hand_reaches_no_further_than_the_player_said() -> None:
    (warning,) = reach(middle_ring=26.0)
    assert warning.startswith("holes.6: is 26.89 from holes.5, more than limits.reach_mm.middle_ring 26.0")
    assert reach(middle_ring=26.9) == []
    (warning,) = reach(three_fingers=37.5)
    assert warning.startswith("holes.3: is 37.94 from holes.1")
    (warning,) = reach(between_hands_least=25.2)
    assert "holes.4: is 25.16 below holes.3" in warning
    assert reach(between_hands_least=25.1) == []


def test_one_finger_closes_a_hole_or_a_pair_and_no_third() -> None:
    raw = MODEL.model_dump(mode="json")
    for number, finger in ((3, "right index"), (4, "right index")):
        raw["holes"][number]["finger"] = finger
    assert not any("one finger closes" in w for w in warned(raw))
    raw["holes"][5]["finger"] = "right index"
    (warning,) = (w for w in warned(raw) if "one finger closes" in w)
    assert warning == 'holes: "right index" has 3 holes; one finger closes one hole or a pair'


def test_the_lowest_note_is_the_lowest_that_is_fingered() -> None:
    raw = MODEL.model_dump(mode="json")
    del raw["fingerings"]["register_1"]["D5"]
    (warning,) = warned(raw)
    assert warning.startswith("model.lowest_note is D5, but the lowest fingered note is E5")
