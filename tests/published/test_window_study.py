"""The program's window against our own finite-element study of heads: the held-back fifth alone.

Source: research/window/cases (216 heads solved by our own finite elements, not published; validated there against the
exact flanged pipe and our first solutions). The shipped coefficients were fitted to four heads of five
(research/window/fit.py); every fifth had no part in them, and all that is said of accuracy here is said of those. Cents
are those of a lowest note whose bore is 37 radii long.
"""

import importlib.util
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


def held_back():
    """Return `cases` of every fifth head; the study left them out of its fit by their place in this order."""
    return cases()[4::5]


def errors_cents(which):
    """Return (number, error, in the declared range) of every held-back head, by formula: "solved" or "published"."""
    table = window_table()
    found = []
    for number, parameters, derived, k, x in held_back():
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


@pytest.fixture(scope="module")
def published():
    return errors_cents("published")


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def test_the_fit_left_out_what_is_tried_here():
    """The shipped coefficients are the least-squares fit to the other four fifths and to nothing else."""
    spec = importlib.util.spec_from_file_location("fit_window", CASES.parent / "fit.py")
    fit = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(fit)
    found = fit.load_cases()
    x = np.array([list(fit.terms(fit.plain(c)).values()) for c in found])
    y = np.array([fit.measured(c)[0] for c in found])
    shipped = x @ np.array(list(window_study()["terms"].values()))
    off = shipped / y - 1.0
    held = np.arange(y.size) % 5 == 4
    # What a least-squares fit leaves is at right angles to its own cases' terms, and to no others'; but for a faint
    # ridge.
    pull = np.abs((x / y[:, None])[~held].T @ off[~held])
    other = np.abs((x / y[:, None])[held].T @ off[held])
    assert (pull < 1e-3 * other).all()


def test_the_program_reaches_three_cents_in_its_declared_range(solved):
    inside = np.array([e for _, e, known in solved if known])
    assert inside.size == 40
    assert rms(inside) < 1.1
    assert np.abs(inside).max() < 3.0
    assert np.median(np.abs(inside)) < 0.8


def test_no_held_back_head_is_five_cents_off(solved):
    """Beyond the declared range: edges far below the bore line, walls as thick as the bore's radius."""
    everything = np.array([e for _, e, _ in solved])
    assert everything.size == 43
    assert np.abs(everything).max() < 5.0


def test_they_are_as_far_off_as_the_shipped_study_states(solved, published):
    stated, older = window_study()["held_back_cents"], window_study()["published_cents"]
    held = np.array([e for _, e, _ in solved])
    inside = np.array([e for _, e, known in solved if known])
    assert held.size == stated["cases"]
    assert inside.size == stated["cases_in_range"]
    assert rms(held) == pytest.approx(stated["rms"], abs=0.02)
    assert rms(inside) == pytest.approx(stated["rms_in_range"], abs=0.02)
    assert np.abs(inside).max() == pytest.approx(stated["worst_in_range"], abs=0.05)
    assert rms([e for _, e, _ in published]) == pytest.approx(older["rms"], rel=0.03)


def test_short_windows(solved):
    """Shorter than 0.45 bore radii, where the published formula is doubtful: 2.0 cents rms, twice the others'."""
    short = np.array([e for (_, e, _), (_, p, *_) in zip(solved, held_back(), strict=True) if p["length"] < 0.45])
    assert short.size == 15
    assert rms(short) < 2.2


def test_the_published_formula_is_an_order_worse(solved, published):
    """docs/physics/window.md#plain-window, which knows neither edge nor ears: 16.8 cents rms on these heads."""
    assert rms([e for _, e, _ in published]) > 10.0 * rms([e for _, e, _ in solved])


def test_the_rise_with_frequency():
    """kappa of 1 + kappa (k a)**2: the second register feels it; 0.12 is 0.3 cent of it. The heads' own are 0.4."""
    table = window_table()
    off, true = [], []
    for _, parameters, derived, k, x in held_back():
        length = at_the_face(k, x, derived["block_face_x"]) / k
        fit = np.polyfit(k[k <= 0.3 + 1e-9] ** 2, length[k <= 0.3 + 1e-9], 2)
        true.append(fit[-2] / fit[-1])
        off.append(window_solved(*sizes(parameters, derived), table)[1] - true[-1])
    assert rms(off) < 0.13
    assert rms(off) < 0.6 * np.std(true)  # no constant does as well
