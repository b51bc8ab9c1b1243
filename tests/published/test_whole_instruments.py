"""Whole instruments: the program against our own finite-element solutions (not published), nothing fitted to them.

Source: research/instruments/cases, three six-hole instruments and one tapered with eight holes, two registers each.
"""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from fluewright.acoustics.network import PUBLISHED, Rules
from fluewright.instrument.files import read_model
from fluewright.instrument.fingering import fingerings_of

PLACE = Path(__file__).parents[2] / "research" / "instruments" / "compare.py"


@pytest.fixture(scope="module")
def study():
    spec = importlib.util.spec_from_file_location("compare_instruments", PLACE)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def rows(study):
    return study.rows_of(Rules(lossy=False))


def test_at_least_eight_fingerings_of_four_instruments_were_solved(rows):
    by_name = {}
    for name, fingering, mode, *_ in rows:
        by_name.setdefault(name, set()).add(fingering)
        assert mode in (1, 2)
    assert len(by_name) == 4
    assert all(len(found) >= 8 for found in by_name.values()), by_name


#: Modes beyond the six cents asked: both near the cutoff of the row of open holes, Q 59 and 33, and no notes of theirs.
BEYOND = {("c5-eight-hole", "o oco oooo", 2), ("c5-thick-wall", "ooo ooo", 2)}


def test_every_note_is_within_three_cents_rms_and_six_worst(study, rows):
    """Notes are the fingerings of the models' registers; half-open thumbs were not solved."""
    off = study.off_cents(rows)
    notes = {
        (name, f.text, f.register)
        for name in {row[0] for row in rows}
        for f in fingerings_of(read_model(PLACE.parent / "models" / f"{name}.toml"))
    }
    played = np.array([tuple(row[:3]) in notes for row in rows])
    assert played.sum() > 40
    assert np.sqrt(np.mean(off[played] ** 2)) < 3.0
    assert np.abs(off[played]).max() < 6.0


def test_all_modes_are_within_three_cents_rms_and_all_but_two_within_six(study, rows):
    """Same source; which two those are is a pin."""
    off = study.off_cents(rows)
    assert np.sqrt(np.mean(off**2)) < 3.0
    assert {tuple(row[:3]) for row, cents in zip(rows, off, strict=True) if abs(cents) >= 6.0} == BEYOND


def test_openings_that_did_not_feel_each_other_would_be_worse(study, rows):
    """Lefebvre, Scavone & Kergomard 2013 (from memory) couple open holes; without it, twice as far off."""
    alone = study.off_cents(study.rows_of(Rules(lossy=False, coupled=False)))
    assert np.sqrt(np.mean(alone**2)) > 1.5 * np.sqrt(np.mean(study.off_cents(rows) ** 2))


def test_the_published_formulas_alone_are_worse(study, rows):
    """The formulas of tests/published/test_published_holes.py and the older window, without coupling."""
    published = study.off_cents(study.rows_of(Rules(**{**PUBLISHED.__dict__, "lossy": False})))
    assert np.sqrt(np.mean(published**2)) > 1.5 * np.sqrt(np.mean(study.off_cents(rows) ** 2))
