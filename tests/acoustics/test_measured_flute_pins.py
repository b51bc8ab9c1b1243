"""Pins: where the jet that was set on a measured flute's lowest note stands, and where it still falls short.

None of these figures is published. The measured ones, and what may be claimed of them, stand in
tests/published/test_measured_flute.py.
"""

import importlib.util
import json
import sys
from pathlib import Path

import pytest

PLACE = Path(__file__).parents[2] / "research" / "jet" / "measured_flute.py"


@pytest.fixture(scope="module")
def study():
    spec = importlib.util.spec_from_file_location("measured_flute_pins", PLACE)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def kept(study):
    return json.loads(study.KEPT.read_text())


@pytest.fixture(scope="module")
def found(study, kept):
    return study.figures_of_all(kept)


def test_kept_figures_stay_as_they_were(study, kept, found):
    assert kept["geometry"] == study.GEOMETRY
    for note, figures in kept["figures"].items():
        assert found[note] == pytest.approx(figures, rel=0.02)


@pytest.mark.parametrize("key", ["jump_pa", "fall_pa"])
def test_the_note_that_the_jet_was_set_on_stays_met(study, found, key):
    assert found["C5"][key] / study.MEASURED["C5"][key] == pytest.approx(1.0, abs=0.05)


# Short of the measured by more than a factor of 1.5: in register 1 the pitch of D and E rises by 34 and 30 cents per
# doubling of breath, measured 52 and 53 (0.66 and 0.56 of it). Of 137 heads of usual sizes 50 could be set on C; in
# none did E come above 0.7. The memory's fit to the jet's law, which at low speeds (Omega above 0.4) turns the phase
# too little, is a small part of it: with the law itself E comes to 0.53 to 0.68. Read again from the recording that was
# released with the log, the next notes up have 38 to 42 (F) and 40 to 47 (G) over the same breath.
@pytest.mark.parametrize(("note", "share"), [("D5", 0.66), ("E5", 0.56)])
def test_pull_in_register_1_stays_too_small(study, found, note, share):
    assert found[note]["pull_1"] / study.MEASURED[note]["pull_1"] == pytest.approx(share, abs=0.05)


def test_what_the_jet_was_set_to_stays_as_it_was(study, kept):
    """Growth and contraction end where they were held to; the waves' speed does not: three times Rayleigh's.

    That is 1.2 of the centre line's speed where jets have 0.4 to 0.5. The flute's true window may be shorter than was
    assumed.
    """
    for key, (aim, _) in study.HELD.items():
        assert kept[key] == pytest.approx(aim, rel=0.25)
    assert kept["wave_speed"] == pytest.approx(3.0, abs=0.3)
