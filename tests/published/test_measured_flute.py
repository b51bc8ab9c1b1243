"""A measured six-hole flute in C5: where it jumps and falls back, and how its pitch follows the breath.

Source: Chin, Zhang & Xia 2021, arXiv 2107.08727, released data (a player's breath logged with the sound); the cents per
doubling of breath are our reading of the released recording. The flute's sizes are not published: geometry, calibration
on the lowest note alone and the measured figures stand in research/jet/measured_flute.py and .json.
"""

import importlib.util
import json
import sys
from itertools import pairwise
from pathlib import Path

import pytest

PLACE = Path(__file__).parents[2] / "research" / "jet" / "measured_flute.py"


@pytest.fixture(scope="module")
def study():
    spec = importlib.util.spec_from_file_location("measured_flute", PLACE)
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


@pytest.mark.parametrize("note", ["C5", "E5", "G5"])
@pytest.mark.parametrize("key", ["jump_pa", "fall_pa"])
def test_registers_change_where_they_were_measured_to(study, found, note, key):
    within = 1.05 if note == "C5" else 1.25  # C is what the jet was set on; the single trials scatter by a tenth
    ratio = found[note][key] / study.MEASURED[note][key]
    assert 1 / within <= ratio <= within


@pytest.mark.parametrize(("note", "key"), [("C5", "pull_1"), ("C5", "pull_2"), ("D5", "pull_2"), ("E5", "pull_2")])
def test_pitch_follows_the_breath_as_measured(study, found, note, key):
    assert 1 / 1.5 <= found[note][key] / study.MEASURED[note][key] <= 1.5


# Falls short of a factor of 1.5: in register 1 the pitch of D and E rises by 34 and 30 cents per doubling of breath,
# measured 52 and 53 (0.66 and 0.56 of it). Of 137 heads of usual sizes 50 could be set on C; in none did
# E come above 0.7. The memory's fit to the jet's law, which at low speeds (Omega above 0.4) turns the
# phase too little, is a small part of it: with the law itself E comes to 0.53 to 0.68. Read again from the recording
# that was released with the log, the next notes up have 38 to 42 (F) and 40 to 47 (G) over the same breath.
@pytest.mark.parametrize(("note", "share"), [("D5", 0.66), ("E5", 0.56)])
def test_pull_in_register_1_that_is_still_too_small(study, found, note, share):
    assert found[note]["pull_1"] / study.MEASURED[note]["pull_1"] == pytest.approx(share, abs=0.05)


def test_fall_comes_below_the_jump_and_both_rise_over_the_scale(found):
    notes = [found[n] for n in ("C5", "D5", "E5", "G5")]
    assert all(n["fall_pa"] < n["jump_pa"] for n in notes)
    assert all(a[k] < b[k] for a, b in pairwise(notes) for k in ("jump_pa", "fall_pa"))


def test_kept_figures_are_those_of_the_kept_settings(study, kept, found):
    assert kept["geometry"] == study.GEOMETRY
    for note, figures in kept["figures"].items():
        assert found[note] == pytest.approx(figures, rel=0.02)


def test_jet_is_near_what_is_published_but_for_its_speed(study, kept):
    # Growth and contraction end where they were measured; the waves' speed does not: three times Rayleigh's, 1.2 of the
    # centre line's speed where jets have 0.4 to 0.5. The flute's true window may be shorter than was assumed.
    for key, (aim, _) in study.HELD.items():
        assert kept[key] == pytest.approx(aim, rel=0.25)
    assert kept["wave_speed"] == pytest.approx(3.0, abs=0.3)
