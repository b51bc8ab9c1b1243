"""The program's window against our own finite-element study of heads, and the plain formula beside it.

Plain: docs/physics/window.md#plain-window. Source: research/window/cases (216 solved heads; validated there
against the exact flanged pipe and earlier solutions). Cents are those of a lowest note whose bore is 37 radii long.
"""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from fluewright.acoustics.kernels.window import window_inertance, window_solved
from fluewright.acoustics.network import window_study, window_table

CASES = Path(__file__).parents[2] / "research" / "window" / "cases"
RANGE = window_study()["range"]


def declared(parameters, derived):
    """Return whether a head lies where the formula is declared."""
    cut = derived["ear_cut_height"]
    lost = 0.0 if cut is None else derived["ear_height_full"] - (cut - derived["edge_top"])
    return (
        derived["edge_bottom"] - 1.0 >= RANGE["offset"][0]
        and parameters["wall"] <= RANGE["e"][1]
        and lost <= RANGE["ear_lost"][1]
    )


def cases():
    """Return (number, parameters, derived, wave numbers, Im Z) of every solved head, lengths in bore radii."""
    found = []
    for path in sorted(CASES.glob("*.json")):
        case = json.loads(path.read_text())
        assert case["status"] == "solved"
        rows = case["mesh"]["extrapolated"]["table"]
        k = np.array([row["ka"] for row in rows])
        found.append(
            (int(path.stem), case["parameters"], case["derived"], k, np.array([row["z_imag"] for row in rows]))
        )
    return found


def at_the_face(k, x, face):
    """Return Im Z with the network's reference: bore from an advanced block face, recess beside as a closed stub."""
    if face > 0.0:
        return np.tan(np.arctan(x) + k * face)
    if face < 0.0:
        return 1.0 / (1.0 / x + np.tan(-k * face))
    return x


def sizes(parameters, derived):
    """Return the arguments of `window_solved` for a bore radius of 1 m."""
    cut = derived["ear_cut_height"]
    ear = -1.0 if cut is None or derived["ear_height_full"] < 0.03 else cut - derived["edge_top"]
    return (
        parameters["length"],
        parameters["width"],
        parameters["wall"],
        math.radians(parameters["ramp_deg"]),
        1.0,
        ear,
        derived["edge_bottom"] - 1.0,
        derived["edge_top"] - derived["edge_bottom"],
        derived["block_face_x"],
    )


def errors_cents(which):
    """Return (number, error) of every head, by formula: "solved" or "published"."""
    table = window_table()
    found = []
    for number, parameters, derived, k, x in cases():
        face = derived["block_face_x"]
        length = at_the_face(k, x, face) / k
        low = np.polyfit(k[k <= 0.3 + 1e-9] ** 2, length[k <= 0.3 + 1e-9], 2)[-1]
        if which == "solved":
            m = window_solved(*sizes(parameters, derived), table)[0]
        else:
            w, h, e, ramp = sizes(parameters, derived)[:4]
            m = window_inertance(w - max(face, 0.0), h, e, ramp, 1.0, -1.0)
        error = -1200.0 / math.log(2.0) * (math.pi * m - low) / (37.6 + low)
        found.append((number, error, declared(parameters, derived)))
    return found


@pytest.fixture(scope="module")
def solved():
    return errors_cents("solved")


def test_the_program_reaches_three_cents_in_its_declared_range(solved):
    inside = np.array([e for _, e, known in solved if known])
    assert inside.size >= 195
    assert np.abs(inside).max() < 3.0
    assert np.median(np.abs(inside)) < 0.8


def test_no_head_of_the_study_is_five_cents_off(solved):
    """Beyond the declared range: edges far below the bore line, walls as thick as the bore's radius."""
    everything = np.array([e for _, e, _ in solved])
    assert everything.size == 216
    assert np.abs(everything).max() < 5.0


def test_held_back_heads_are_as_far_off_as_the_shipped_study_states(solved):
    """Every fifth head had no part in the shipped coefficients."""
    stated = window_study()["held_back_cents"]
    held = np.array([e for _, e, _ in solved])[4::5]
    inside = np.array([e for _, e, known in solved[4::5] if known])
    assert held.size == stated["cases"] == 43
    assert inside.size == stated["cases_in_range"] == 40
    assert np.sqrt(np.mean(held**2)) == pytest.approx(stated["rms"], abs=0.02)
    assert np.abs(inside).max() == pytest.approx(stated["worst_in_range"], abs=0.05)
    assert np.abs(inside).max() < 3.0
    assert window_study()["published_cents"]["rms"] > 5.0


def test_short_windows_are_well_covered(solved):
    """A third of the heads have windows shorter than 0.45 bore radii: the published formula is doubtful there."""
    short = np.array([e for (_, e, _), (_, p, *_) in zip(solved, cases(), strict=True) if p["length"] < 0.45])
    assert short.size >= 60
    assert np.sqrt(np.mean(short**2)) < 1.5


def test_the_published_formula_is_an_order_worse(solved):
    older = np.array([e for _, e, _ in errors_cents("published")])
    assert np.sqrt(np.mean(older**2)) > 5 * np.sqrt(np.mean([e**2 for _, e, _ in solved]))


def test_the_rise_with_frequency(solved):
    """kappa of 1 + kappa (k a)**2: the second register feels it; 0.15 is 0.3 cent of it."""
    table = window_table()
    off = []
    for _, parameters, derived, k, x in cases():
        length = at_the_face(k, x, derived["block_face_x"]) / k
        fit = np.polyfit(k[k <= 0.3 + 1e-9] ** 2, length[k <= 0.3 + 1e-9], 2)
        off.append(window_solved(*sizes(parameters, derived), table)[1] - fit[-2] / fit[-1])
    assert np.sqrt(np.mean(np.square(off))) < 0.15
