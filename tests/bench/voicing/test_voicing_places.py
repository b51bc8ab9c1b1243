"""Every adjustment that changes a size is made at a place of the section, and every such place is there to press."""

import re

import pytest

from fluewright.bench.voicing.advice import STEPS
from fluewright.bench.voicing.places import PLACES, adjustments_at, places_of
from fluewright.errors import InputError
from fluewright.instrument.starting import load, starting_models
from fluewright.pictures.section import head_section


def test_every_step_with_sizes_has_a_place_and_no_other():
    for step in STEPS:
        assert bool(places_of(step.key)) == bool(step.adjustment.steps), step.key
    assert {key for keys in PLACES.values() for key in keys} <= {step.key for step in STEPS}


@pytest.mark.parametrize("name", sorted(starting_models()))
def test_every_place_can_be_pressed_in_the_section_and_has_its_adjustments(name):
    pressed = re.findall(r'data-place="([a-z-]+)" tabindex="0" role="button"', head_section(load(name), control=True))
    assert sorted(pressed) == sorted(PLACES)
    assert all(adjustments_at(place) for place in pressed)


def test_a_place_changes_sizes_of_its_own():
    """The sizes that a place's first adjustment changes, by the trade's names of the places."""
    first = {place: adjustments_at(place)[0].steps[0][0] for place in PLACES}
    assert first == {
        "entry": "head.windway.entry_height_mm", "windway": "head.windway.exit_height_mm",
        "upper-chamfer": "head.upper_chamfer.length_mm", "lower-chamfer": "head.lower_chamfer.length_mm",
        "block": "head.block_depth_mm", "window": "head.window_length_mm", "edge": "head.edge_offset_mm",
        "ramp": "head.broken_edge_mm", "ears": "head.ear_height_mm",
    }  # fmt: skip


def test_unknown_names_are_refused_with_the_choices():
    with pytest.raises(InputError, match="upper-chamfer"):
        adjustments_at("beak")
    with pytest.raises(InputError, match="edge-break"):
        places_of("file-it")
