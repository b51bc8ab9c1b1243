"""Reference instrument A: the numbers of docs/physics/network.md#reference-instrument, to every printed digit.

Source: our own reference evaluation of the published formulas (Zwikker & Kosten 1949 losses; Silva et al. 2009
foot; Dubos et al. 1999 t_i and t_a; Dalmont et al. 2001 t_r; Nederveen et al. 1998 t_m; plain window fit).
"""

import math

import numpy as np
import pytest

from fluewright.acoustics.kernels import network as kernel
from fluewright.acoustics.kernels.gas import Gas
from fluewright.acoustics.kernels.given import Formulas, Given
from fluewright.acoustics.kernels.holes import DUBOS, LEFEBVRE, Fingers, matching_length, t_network
from fluewright.acoustics.kernels.window import SOLVED_TERMS, window_inertance

REF = Gas(1.2, 343.5, 1.82e-5, 1.4015, 0.71)
UNFLANGED_DUBOS = Formulas(thick_foot=0, hole_rule=DUBOS, lossy=1.0, radiate=1.0, solved_window=0, coupled=0)
UNFLANGED_LEFEBVRE = UNFLANGED_DUBOS._replace(hole_rule=LEFEBVRE)
NO_TABLE = np.zeros(SOLVED_TERMS)


def sizes(holes=(), *, length=0.280, window_length=0.005, window_width=0.009, ramp_deg=25.0, wall_at_hole=0.004):
    head = [
        0.0,
        window_length,
        window_width,
        math.radians(ramp_deg),
        -1.0,
        1.0,
        1.0,
        1.0,
        1.0,
        0.0,
        0.5,
        0.0,
        0.15,
        0.0,
        0.0,
    ]
    bore = [0.0, 0.007, length, 0.007]
    outer = 0.007 + wall_at_hole
    outside = [-0.02, 0.010, 0.100, 0.010, 0.1001, outer, length, outer]
    rows = [v for x, b in holes for v in (x, b, 0.0, 0.0, 0.0, 0.0, 0.0, math.tan(math.radians(35.0)), 0.0)]
    return np.array(head + bore + outside + rows)


def given_of(vector, n_holes, rules):
    return Given(vector, 2, 4, n_holes, np.zeros(n_holes), REF, rules, NO_TABLE)


def solve(vector, states, modes=(1, 2, 3), rules=UNFLANGED_DUBOS):
    modes = np.array(modes)
    n = modes.size
    omegas, slopes, resistances = np.empty(n), np.empty(n), np.empty(n)
    grads = np.zeros((0, vector.size))
    table = np.tile(np.array(states, np.int8), (n, 1)).reshape(n, len(states))
    given = given_of(vector, len(states), rules)
    kernel.solve(given, modes, 2 * np.pi * 550.0 * modes, table, omegas, slopes, resistances, grads)
    return omegas / (2 * np.pi), omegas * slopes / (2 * resistances)


@pytest.mark.parametrize(
    ("holes", "states", "rules", "expected", "quality"),
    [
        ((), (), UNFLANGED_DUBOS, (557.867744, 1121.733417, 1691.242012), 52.178),
        (((0.2, 0.0035),), (1,), UNFLANGED_DUBOS, (690.106423, 1318.339963, 1739.622331), 55.971),
        (((0.2, 0.0035),), (0,), UNFLANGED_DUBOS, (556.938561, 1117.918858, 1690.934423), 52.025),
        (((0.2, 0.0035),), (1,), UNFLANGED_LEFEBVRE, (690.060007, 1318.301977, 1739.437453), None),
        (((0.2, 0.0035),), (0,), UNFLANGED_LEFEBVRE, (556.917100, 1117.915729, 1690.815047), None),
    ],
)
def test_resonances_agree_to_all_printed_digits(holes, states, rules, expected, quality):
    found, q = solve(sizes(holes), states, rules=rules)
    assert found == pytest.approx(expected, abs=6e-7)
    if quality is not None:
        assert q[0] == pytest.approx(quality, abs=6e-4)


def test_octave_of_the_plain_tube_is_wide_by_the_printed_cents():
    found, _ = solve(sizes(), ())
    assert 1200 * math.log2(found[1] / found[0] / 2) == pytest.approx(9.2818, abs=6e-5)


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({"x": 0.201}, (-5.940, -0.969)),
        ({"b": 0.0036}, (6.461, 8.548)),
        ({"wall_at_hole": 0.0045}, (-8.469, -11.179)),
        ({"window_length": 0.0052}, (5.040, 3.371)),
        ({"window_width": 0.0095}, (6.856, 4.591)),
        ({"length": 0.281}, (-0.970, -4.615)),
        ({"ramp_deg": 45.0}, (-4.216, -3.742)),
    ],
)
def test_changes_of_one_size_move_both_registers_as_printed(change, expected):
    change = dict(change)
    if "ramp_deg" in change:
        # The ramp's figure is given for the plain tube; the open hole's differ.
        holes, states = (), ()
    else:
        holes, states = ((change.pop("x", 0.2), change.pop("b", 0.0035)),), (1,)
    before, _ = solve(sizes(holes if not states else ((0.2, 0.0035),)), states, modes=(1, 2))
    after, _ = solve(sizes(holes, **change), states, modes=(1, 2))
    assert 1200 * np.log2(after / before) == pytest.approx(expected, abs=6e-4)


def test_bore_impedance_at_500_hz():
    vector = sizes()
    omega = 2 * np.pi * 500.0
    z, slope, window = (np.empty(1, complex) for _ in range(3))
    kernel.curve(
        given_of(vector, 0, UNFLANGED_DUBOS), np.zeros(0, np.int8), np.array([omega]), z, slope, window, np.empty(1)
    )
    assert window[0] == pytest.approx(complex(2743.7490, 519980.1245), abs=2e-3)
    assert z[0] - window[0] == pytest.approx(complex(92460.939, -1520279.258), abs=2e-3)


def test_window_of_the_reference_instrument():
    m = window_inertance(0.005, 0.009, 0.003, math.radians(25.0), 0.007, -1.0)
    assert m * math.sqrt(0.005 * 0.009) == pytest.approx(0.9252559399, abs=1e-10)
    assert math.pi * 0.007 * m == pytest.approx(3.0332173931, abs=1e-10)


def test_reference_hole_open_and_closed():
    """docs/physics/holes.md#reference-hole; REF air, 500 Hz, a = 7, b = 3.5, t = 4 mm, flat rigid cap when closed."""
    size = np.array([0.0, 0.0035, 0, 0, 0, 0, 0, 0.7, 0])
    omega = 2 * np.pi * 500.0
    rest = (Fingers(0.5, 0.0, 1.0), DUBOS, REF, 1.0, 1.0)
    assert matching_length(0.5) == pytest.approx(0.0641171875, abs=1e-12)
    za, zs, _, _ = t_network(omega, 0.007, 0.011, size, 1, *rest)
    assert za == pytest.approx(-7121.6116j, abs=1e-3)
    assert zs == pytest.approx(14899.895 + 837362.737j, abs=2e-3)
    za, zs, _, _ = t_network(omega, 0.007, 0.011, size, 0, *rest)
    assert za == pytest.approx(-6878.8614j, abs=1e-3)
    assert zs == pytest.approx(3554324.4 - 273183650j, abs=1.0)


def test_lossless_tube_follows_the_hand_formula():
    """c/[2 (L + dL + 0.6133 a)] = 562.145980 Hz; the hand formula ignores that both ends vary with frequency."""
    found, _ = solve(sizes(), (), modes=(1,), rules=UNFLANGED_DUBOS._replace(lossy=0.0, radiate=0.0))
    assert found[0] == pytest.approx(562.145980, rel=1.2e-3)
