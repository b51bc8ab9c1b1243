"""The field inside agrees with the impedance at the window, with the holes' flows, and with plain standing waves."""

import numpy as np
import pytest
from walked_bore import hole_of, walked, walked_field

from fluewright.acoustics.impedance import impedance_curve
from fluewright.acoustics.inside import field_along_bore, with_fingering
from fluewright.acoustics.network import Rules, build_network
from fluewright.acoustics.resonance import resonances, resonances_by_mode
from fluewright.errors import InputError, ModelError
from fluewright.instrument.starting import load, starting_models

ALONE = Rules(coupled=False)


def with_block(model, depth_mm):
    return model.model_copy(update={"head": model.head.model_copy(update={"block_depth_mm": depth_mm})})


def warm(model):
    return model.model_copy(update={"conditions": model.conditions.model_copy(update={"breath_temperature_c": 31.0})})


@pytest.mark.parametrize("name", list(starting_models()))
def test_face_has_the_impedance_of_the_curve(name):
    network = build_network(load(name), rules=ALONE)
    for row in range(len(network.fingerings)):
        for hz in (210.0, 587.0, 1501.0):
            _, p, u = field_along_bore(network, row, hz, 2)
            assert p[0] / u[0] == pytest.approx(impedance_curve(network, row, np.array([hz])).bore[0], rel=1e-9)


@pytest.mark.parametrize("change", [lambda m: with_block(m, 1.1), lambda m: with_block(m, -1.6), warm])
@pytest.mark.parametrize("coupled", [False, True])
def test_face_agrees_with_block_moved_warm_breath_and_coupled_openings(change, coupled):
    network = build_network(change(load("c5-taper")), rules=Rules(coupled=coupled))
    for row in (0, 3, 9):
        inside = walked(network, row, 2.0 * np.pi * 801.0)
        expected = impedance_curve(network, row, np.array([801.0])).bore[0]
        assert inside.face_pressure - inside.window_source == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    "change", [lambda m: m, lambda m: with_block(m, 1.1), lambda m: with_block(m, -1.6), warm],
    ids=["as it is", "block forward", "block back", "warm breath"],
)  # fmt: skip
@pytest.mark.parametrize("coupled", [False, True])
def test_the_whole_field_agrees_with_one_walked_as_linear_forms(change, coupled):
    """The same physics by another way (tests/acoustics/walked_bore.py), on both sides of each jump."""
    network = build_network(change(load("c5-taper")), rules=Rules(coupled=coupled))
    for row, hz in ((0, 523.0), (4, 801.0), (9, 1637.0)):
        x, p, u = field_along_bore(network, row, hz, 80)
        upper = np.concatenate([x[:-1] == x[1:], [False]])
        there = walked_field(network, row, hz, x.tolist(), upper.tolist())
        assert p == pytest.approx(there[0], rel=1e-8, abs=1e-9)
        assert u == pytest.approx(there[1], rel=1e-8, abs=1e-9 * np.abs(u).max())


def test_flow_jumps_at_open_holes_by_pressure_over_shunt():
    network = build_network(load("d5-cylinder"), rules=ALONE)
    row, hz = 3, 1100.0
    x, p, u = field_along_bore(network, row, hz)
    for j, hole in enumerate(network.model.holes):
        (head,) = np.flatnonzero(np.isclose(x[:-1], 1e-3 * hole.position_mm, atol=1e-12) & (x[:-1] == x[1:]))
        half, shunt, _, _ = hole_of(network, 2.0 * np.pi * hz, j, int(network.states[row][j]))
        node = p[head + 1] + half * u[head + 1]
        assert u[head] - u[head + 1] == pytest.approx(node / shunt, rel=1e-9)
        assert p[head] == pytest.approx(node + half * u[head], rel=1e-9)
        if network.states[row][j] == 0:
            assert abs(u[head] - u[head + 1]) < 0.05 * np.abs(u).max()


def test_largest_pressure_is_one_and_places_agree_with_the_grid():
    network = build_network(load("f4-taper"))
    x, p, u = field_along_bore(network, 5, 900.0, 300)
    assert np.abs(p).max() == pytest.approx(1.0, abs=1e-14)
    assert p[np.argmax(np.abs(p))] == pytest.approx(1.0)
    assert (np.diff(x) >= 0.0).all()
    again, q, v = field_along_bore(network, 5, 900.0, x[[0, 50, 120, 299]])
    assert q / v == pytest.approx((p / u)[[0, 50, 120, 299]], rel=1e-9)
    assert list(again) == list(x[[0, 50, 120, 299]])


def test_lowest_resonance_of_a_closed_whistle_is_half_a_wave():
    """All holes closed: pressure has one antinode near the middle, flow its least there; ends carry the flow."""
    network = build_network(load("d5-cylinder"))
    hz = resonances(network).frequencies_hz[0]
    x, p, u = field_along_bore(network, 0, hz)
    middle = x[np.argmax(np.abs(p))]
    assert 0.35 < middle / x[-1] < 0.55
    assert abs(u[np.argmax(np.abs(p))]) < 0.1 * np.abs(u).max()
    assert abs(p[-1]) < 0.1
    # Twice the mode, twice the nodes.
    second = resonances_by_mode(with_fingering(network, "ccc ccc"), 2)[0][1][1]
    level = np.abs(field_along_bore(network, 0, second, np.linspace(0.0, x[-1], 97))[1])
    assert ((level[1:-1] > level[:-2]) & (level[1:-1] >= level[2:])).sum() == 2


def test_flow_dies_at_a_block_behind_the_exit_plane():
    network = build_network(with_block(load("d5-cylinder"), -2.0))
    x, p, u = field_along_bore(network, 0, 600.0)
    assert x[0] == pytest.approx(-2e-3)
    assert abs(u[0]) < 1e-12 * np.abs(u).max()
    (plane,) = np.flatnonzero((x[:-1] == 0.0) & (x[1:] == 0.0))
    assert p[plane] == pytest.approx(p[plane + 1])
    assert u[plane].imag * u[plane + 1].imag < 0.0


def test_lossless_wave_has_pressure_and_flow_in_quadrature():
    network = build_network(load("d5-cylinder"), rules=Rules(lossy=False, radiate=False))
    _, p, u = field_along_bore(network, 3, 777.0)
    assert np.abs(p.imag).max() < 1e-9
    assert np.abs(u.real).max() < 1e-9 * np.abs(u).max()


@pytest.mark.parametrize(
    "ask",
    [
        (99, 500.0, 10), (-1, 500.0, 10), (0, 0.0, 10), (0, float("nan"), 10), (0, 30000.0, 10), (0, 500.0, 1),
        (0, 500.0, [-1.0]), (0, 500.0, [9.0]), (0, 500.0, []), (0, 500.0, [float("nan")]),
        (0, 5e-324, 10), (0, 0.99, 10),
    ],
)  # fmt: skip
def test_impossible_questions_are_refused(ask):
    with pytest.raises(InputError, match="inside"):
        field_along_bore(build_network(load("d5-cylinder")), *ask)


def test_any_fingering_can_be_asked_for():
    network = build_network(load("d5-cylinder"))
    one = with_fingering(network, "coc oco")
    assert one.fingerings[0].holes == (0, 1, 0, 1, 0, 1)
    assert len(one.fingerings) == 1
    with pytest.raises(ModelError, match="letters"):
        with_fingering(network, "ccc")
