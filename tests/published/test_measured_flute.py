"""A measured six-hole flute in C5: where it jumps and falls back, and how its pitch follows the breath.

Source: Chin, Zhang & Xia 2021, arXiv 2107.08727, released data (a player's breath logged with the sound); the cents per
doubling of breath are our reading of the released recording. The flute's sizes are not published: geometry, calibration
on the lowest note alone and the measured figures stand in research/jet/measured_flute.py and .json. The jet was set on
C5, all four figures of it; D5, E5 and G5 were held back, and they alone are tried here. Where the model falls short of
them stands in tests/acoustics/test_measured_flute_pins.py.
"""

import importlib.util
import json
import math
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


@pytest.mark.parametrize("note", ["E5", "G5"])
@pytest.mark.parametrize("key", ["jump_pa", "fall_pa"])
def test_registers_change_where_they_were_measured_to(study, found, note, key):
    """Table of the released trials: within a quarter, where the single trials scatter by a tenth."""
    ratio = found[note][key] / study.MEASURED[note][key]
    assert 1 / 1.25 < ratio < 1.25
    # And not because every note is blown alike: measured, these are 1.4 to 2.1 times the lowest note's.
    assert found[note][key] / found["C5"][key] > 1.25


@pytest.mark.parametrize("note", ["D5", "E5"])
def test_pitch_follows_the_breath_as_measured_in_register_2(study, found, note):
    """Our reading of the released recording, 20 and 25 cents per doubling of breath: within a factor of 1.5."""
    assert 1 / 1.5 < found[note]["pull_2"] / study.MEASURED[note]["pull_2"] < 1.5


def test_breath_of_the_jump_grows_up_the_scale_as_measured(study, found):
    """From E5 to G5, three semitones: measured 103.5 to 137 Pa, the 1.62th power of pitch; within 0.4 of it."""
    semitones = 3.0

    def power(figures):
        return math.log2(figures["G5"]["jump_pa"] / figures["E5"]["jump_pa"]) / (semitones / 12.0)

    assert power(found) == pytest.approx(power(study.MEASURED), abs=0.4)


def test_fall_comes_below_the_jump_and_both_rise_over_the_scale(found):
    """Every one of the released trials has it so (same source)."""
    notes = [found[n] for n in ("C5", "D5", "E5", "G5")]
    assert all(n["fall_pa"] < n["jump_pa"] for n in notes)
    assert all(a[k] < b[k] for a, b in pairwise(notes) for k in ("jump_pa", "fall_pa"))
