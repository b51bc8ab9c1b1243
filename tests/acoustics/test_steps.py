"""Joints: two stations at one x are a step, in the chain, its sensitivities and all that is drawn from it."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from walked_bore import walked

from fluewright.acoustics.batch import predict_many
from fluewright.acoustics.impedance import impedance_curve
from fluewright.acoustics.inside import field_along_bore
from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.kernels.plan import window_constants
from fluewright.acoustics.kernels.segments import step_length
from fluewright.acoustics.network import PUBLISHED, Rules, build_network
from fluewright.acoustics.ranges import out_of_range
from fluewright.acoustics.resonance import resonances
from fluewright.errors import ModelError
from fluewright.instrument.files import validate_model
from fluewright.instrument.sizes import with_sizes
from fluewright.instrument.starting import load
from fluewright.making.sheet_tables import sheet_tables
from fluewright.pictures.body import outside_corners_mm
from fluewright.pictures.views import side_view

# Two joints: a bore that narrows and one that widens; a cone between them; a tenon shoulder on the outside.
BORE = [[-30.0, 14.0], [60.0, 14.0], [60.0, 12.4], [150.0, 11.0], [150.0, 13.0], [280.0, 13.0]]
OUTSIDE = [[-30.0, 22.0], [60.0, 22.0], [60.0, 19.0], [280.0, 19.0]]
LOSSLESS = replace(PUBLISHED, lossy=False, radiate=False, thick_foot=False)


def jointed(bore=BORE, holes=(), warm=None):
    notes = {"C5": "c" * len(holes), "D5": "o" * len(holes)} if holes else {"C5": ""}
    return validate_model(
        {
            "format": "fluewright-model/1",
            "model": {"name": "jointed", "lowest_note": "C5"},
            "conditions": {} if warm is None else {"breath_temperature_c": warm, "temperature_c": 20.0},
            "bore": {"stations_mm": bore, "outside_mm": OUTSIDE},
            "head": {
                "window_length_mm": 5.0,
                "window_width_mm": 9.0,
                "windway": {"length_mm": 30.0, "width_mm": 9.0, "entry_height_mm": 1.0, "exit_height_mm": 0.9},
            },
            "holes": [
                {"name": str(i + 1), "position_mm": x, "diameter_mm": d, "outer_round_mm": 0.3}
                for i, (x, d) in enumerate(holes)
            ],
            "fingerings": {"register_1": notes, "register_2": {"C6": "c" * len(holes)}},
        }
    )


def written_out(network, omega, bore=BORE):
    """Return the reactance of the loop from matrices written here: cones as spherical waves, steps as inertances."""
    air = network.air
    rho, c = air.density, air.sound_speed
    k = omega / c
    a = 0.5e-3 * bore[-1][1]
    ka = k * a
    # Unflanged, lossless: the length of Silva et al. (2009).
    foot = 0.6133 * a * (1 + 0.0599 * ka**2) / (1 + 0.238 * ka**2 - 0.0153 * ka**4 + 0.00150 * ka**6)
    state = np.array([1j * rho * c / (math.pi * a * a) * math.tan(k * foot), 1.0])
    for (x0, d0), (x1, d1) in zip(bore[-2::-1], bore[:0:-1], strict=True):
        r1, r2 = 0.5e-3 * d0, 0.5e-3 * d1
        length = 1e-3 * (x1 - max(x0, 0.0))
        if length == 0.0:
            narrow = min(r1, r2)
            inertance = rho * step_length(narrow, max(r1, r2))[0] / (math.pi * narrow**2)
            matrix = np.array([[1.0, 1j * omega * inertance], [0.0, 1.0]])
        elif r1 == r2:
            z = rho * c / (math.pi * r1 * r1)
            matrix = np.array(
                [[math.cos(k * length), 1j * z * math.sin(k * length)],
                 [1j * math.sin(k * length) / z, math.cos(k * length)]]
            )  # fmt: skip
        else:
            # p r = A exp(-jks) + B exp(jks) with the distance from the cone's tip (negative: it narrows).
            s1 = r1 * length / (r2 - r1)
            s2 = s1 + length
            waves = {}
            for s, r in ((s1, r1), (s2, r2)):
                out, back = np.exp(-1j * k * s), np.exp(1j * k * s)
                flow = math.pi * r * r / (1j * omega * rho)
                waves[s] = np.array(
                    [[out / s, back / s],
                     [flow * (out / s**2 + 1j * k * out / s), flow * (back / s**2 - 1j * k * back / s)]]
                )  # fmt: skip
            matrix = waves[s1] @ np.linalg.inv(waves[s2])
        state = matrix @ state
    # The window's own inertance, as the kernels have it (it is not what is tried here).
    m = window_constants(network.given()).inertance
    return (state[0] / state[1]).imag + omega * rho * m


def test_a_bore_with_steps_sounds_as_its_cascade_of_matrices():
    network = build_network(jointed(), rules=LOSSLESS)
    for found in resonances(network).frequencies_hz:
        root = brentq(lambda f: written_out(network, 2.0 * math.pi * f), 0.998 * found, 1.002 * found, xtol=1e-11)
        assert found == pytest.approx(root, rel=1e-9)


def test_the_added_length_of_a_step_flattens_and_a_cone_so_short_does_not_know_it():
    network = build_network(jointed(), rules=LOSSLESS)
    found = resonances(network).frequencies_hz
    ramped = [[-30.0, 14.0], [60.0, 14.0], [60.06, 12.4], [150.0, 11.0], [150.06, 13.0], [280.0, 13.0]]
    cones = resonances(build_network(jointed(ramped), rules=LOSSLESS)).frequencies_hz
    apart = 1200.0 * np.log2(found / cones)
    assert (apart < -0.01).any()
    assert (np.abs(apart) < 10.0).all()


@pytest.mark.parametrize("warm", [None, 30.0])
@pytest.mark.parametrize("rules", [LOSSLESS, Rules()], ids=["lossless", "as shipped"])
def test_sensitivities_to_both_diameters_and_the_place_of_a_step_are_differences(rules, warm):
    # No stretch is a multiple of 20 mm long: there a cone is cut anew and the slope has two sides.
    bore = [[-30.0, 14.0], [63.7, 14.0], [63.7, 12.4], [153.1, 11.0], [153.1, 13.0], [280.0, 13.0]]
    network = build_network(jointed(bore, ((117.3, 6.0), (200.9, 7.0)), warm), rules=rules)
    solved = resonances(network, sensitivities=True)
    wanted = [f"bore.stations_mm.{i}.diameter" for i in (2, 3, 4, 5)]
    wanted += ["bore.stations_mm.2.x", "bore.stations_mm.4.x"]
    dimensions = {d.key: (j, d) for j, d in enumerate(network.dimensions)}
    for key in wanted:
        column, dimension = dimensions[key]
        f = []
        for sign in (-1.0, 1.0):
            sizes = network.sizes.copy()
            for at, weight in dimension.weights:
                sizes[at] += sign * 1e-3 * weight
            f.append(resonances(network, sizes=sizes).frequencies_hz)
        slope = 1200.0 * np.log2(f[1] / f[0]) / 2e-3
        assert solved.by_dimension_cents[:, column] == pytest.approx(slope, abs=2e-4, rel=1e-4)
        assert np.abs(slope).max() > 1e-3


def test_the_place_of_a_step_is_one_size():
    network = build_network(jointed())
    keys = [d.key for d in network.dimensions if d.key.endswith(".x")]
    assert keys == ["bore.stations_mm.2.x", "bore.stations_mm.4.x"]
    first = offsets.HEAD_SIZES
    (step,) = [d for d in network.dimensions if d.key == "bore.stations_mm.4.x"]
    assert step.value == 150.0
    assert step.weights == ((first + 6, 1e-3), (first + 8, 1e-3))


def test_moving_a_step_moves_both_its_stations():
    moved = with_sizes(jointed(), {"bore.stations_mm.2.x": 62.5, "bore.stations_mm.3.diameter": 12.0})
    assert moved.bore.stations_mm[1:4] == ((62.5, 14.0), (62.5, 12.0), (150.0, 11.0))
    assert moved.bore.outside_mm == jointed().bore.outside_mm
    with pytest.raises(ModelError, match="has no such size"):
        with_sizes(jointed(), {"bore.stations_mm.3.x": 62.5})
    with pytest.raises(ModelError, match="a step"):
        with_sizes(jointed(), {"bore.stations_mm.2.x": 150.0})


def test_a_batch_takes_steps_and_leaves_out_what_breaks_them():
    network = build_network(jointed())
    first = offsets.HEAD_SIZES
    table = np.tile(network.sizes, (4, 1))
    table[1, [first + 2, first + 4]] += 1e-3  # the step moves
    table[2, first + 2] += 1e-3  # the upper station beyond the lower one
    table[3, first + 3] = 12e-3  # no wall left on the head's side of the step
    result = predict_many(network, table)
    assert result.failed.tolist() == [False, False, True, True]
    assert result.frequencies_hz[0] == pytest.approx(resonances(network).frequencies_hz, rel=1e-12)


def test_a_step_is_no_steep_cone_for_the_ranges():
    assert not [note for note in out_of_range(jointed(), (500.0, 1500.0)) if "cone" in note.formula]


@pytest.mark.parametrize("hole", [[], [(150.0, 6.0)], [(60.0, 5.0), (200.0, 6.0)]])
def test_the_field_inside_jumps_in_pressure_at_a_step_and_closes_at_the_window(hole):
    network = build_network(jointed(holes=hole), rules=replace(Rules(), coupled=False))
    for row in range(len(network.fingerings)):
        omega = 2.0 * math.pi * 801.0
        bore = impedance_curve(network, row, np.array([801.0])).bore[0]
        assert walked(network, row, omega).face_pressure == pytest.approx(bore, rel=1e-9)
        _, p, u = field_along_bore(network, row, 801.0, 300)
        assert p[0] / u[0] == pytest.approx(bore, rel=1e-9)
    x, p, u = field_along_bore(network, 0, 801.0, 300)
    at = np.flatnonzero(x == 0.06)
    assert at.size == 2
    if not hole:
        narrow, wide = 6.2e-3, 7e-3
        jump = (
            2j * math.pi * 801.0 * network.air.density * step_length(narrow, wide)[0] / (math.pi * narrow**2) * u[at[1]]
        )
        assert p[at[0]] - p[at[1]] == pytest.approx(jump, rel=1e-9)
        assert u[at[0]] == pytest.approx(u[at[1]], rel=1e-12)


def test_drawings_and_sheets_keep_the_shoulder():
    model = jointed(holes=((120.0, 6.0),))
    assert outside_corners_mm(model) == [(-30.0, 22.0), (60.0, 22.0), (60.0, 19.0), (280.0, 19.0)]
    rows = [row for table in sheet_tables(model)[0].tables for row in table.rows]
    assert [list(row) for row in rows if row[0] == "60.00"] == [
        ["60.00", "14.000", "4.00"],
        ["60.00", "12.400", "3.30"],
    ]
    assert "⌀14 @ 60" in side_view(model)
    assert "⌀12.4 @ 60" in side_view(model)


def test_models_without_steps_are_named_as_before():
    network = build_network(load("c5-taper"))
    assert [d.weights for d in network.dimensions if d.key == "bore.stations_mm.2.x"] == [
        ((offsets.HEAD_SIZES + 2, 1e-3),)
    ]
