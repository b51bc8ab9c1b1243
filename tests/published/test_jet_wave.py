"""The jet's wave against Rayleigh's equation, and the jet against measured pipes and edge tones.

Sources: Rayleigh's equation for u = sech(y)**2 (Drazin & Reid, Hydrodynamic Stability, 1981; from memory), solved here
by another form than the program's table was made with. Coltman 1976 (half a wave between slit and edge), Ising 1971
(intonation number; seen in Liljencrants' notes), Brown 1937 (edge tones), Curle 1953 and Powell 1961 (a quarter more
than whole waves): from memory. What the program's jet was set on, and its own figures:
tests/acoustics/test_jet_pins.py.
"""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import root

from fluewright.acoustics.jet import (
    rayleigh_wave,
    wave_table,
    windway_flow,
)
from fluewright.acoustics.kernels.jet import JetWay, travelled
from fluewright.acoustics.network import build_network
from fluewright.acoustics.sounding import blow, find_jumps
from fluewright.instrument.parts import Windway
from fluewright.instrument.starting import load


@pytest.fixture(scope="module")
def cylinder():
    return find_jumps(blow(build_network(load("d5-cylinder"))))


@pytest.mark.parametrize(
    ("shaken", "within"),
    [
        *((omega, 4e-5) for omega in (0.05, 0.1, 0.2, 0.3, 0.4, 0.6, 0.8, 1.0, 1.2)),
        *((omega, 2e-3) for omega in (0.0237, 0.12, 0.68)),
    ],
)
def test_a_fresh_solution_of_rayleighs_equation(shaken, within):
    """Riccati's form, m = phi'/phi, m' = k^2 + U''/(U - c) - m^2, from m = -k outside to m = 0, shot by SciPy.

    At values that the program keeps, to its five digits; between them, by its curve.
    """

    def end(k):
        k = complex(*k)

        def slope(y, m):
            u = np.cosh(y) ** -2.0
            return k * k + (4.0 * u - 6.0 * u * u) / (u - shaken / k) - m * m

        shot = solve_ivp(slope, (9.0, 0.0), [-k], rtol=1e-9, atol=1e-11)
        return [shot.y[0, -1].real, shot.y[0, -1].imag]

    wave, growth = (float(v[0]) for v in rayleigh_wave(np.array([shaken])))
    solved = root(end, [1.05 * wave, -0.95 * growth], tol=1e-9)
    assert np.abs(end(solved.x)).max() < 1e-7
    assert abs(complex(wave, growth) - complex(solved.x[0], -solved.x[1])) < within * abs(complex(*solved.x))


def test_long_waves_are_a_string_of_negative_tension():
    """k (4/3 - 4 c) + 2 c^2 = 0: the jet's momentum against the inertia of the air beside it (textbook, small k)."""
    for shaken, within in ((0.003, 0.04), (0.005, 0.05)):
        k = next(r for r in np.roots([4.0 / 3.0, -4.0 * shaken, 0.0, 2.0 * shaken**2]) if r.imag < -1e-6)
        wave, growth = rayleigh_wave(np.array([shaken]))
        assert wave[0] == pytest.approx(k.real, rel=within)
        assert growth[0] == pytest.approx(-k.imag, rel=within)


def test_the_neutral_wave_and_what_lies_beyond():
    """phi = sech^2 y solves Rayleigh's equation at k = 2, c = 2/3: neither grows nor fades; faster waves fade."""
    wave, growth = rayleigh_wave(np.array([4.0 / 3.0]))
    assert wave[0] == pytest.approx(2.0, abs=2e-4)
    assert abs(growth[0]) < 2e-4
    shaken = np.linspace(0.0, 3.0, 3001)
    wave, growth = rayleigh_wave(shaken)
    assert wave[0] == growth[0] == 0.0
    assert (np.diff(wave) > 0.0).all()
    assert (growth[shaken > 4.0 / 3.0 + 1e-3] < 0.0).all()
    assert np.abs(np.diff(wave)).max() < 0.006


@pytest.mark.parametrize("name", ["d5-cylinder", "c5-eight-hole", "d4-cylinder", "f4-taper", "c5-taper"])
def test_the_jet_is_slower_than_bernoulli_and_rises_with_the_breath(name):
    """Bernoulli 1738, no source needed: sqrt(2 P/rho) is what no jet exceeds; friction takes a share at low breath."""
    head = load(name).head
    flows = [windway_flow(head, p, 1.2, 1.82e-5) for p in np.geomspace(1.0, 20_000.0, 40)]
    pressures = np.array([f.pressure_pa for f in flows])
    speeds = np.array([f.jet_speed for f in flows])
    assert (speeds < np.sqrt(2.0 * pressures / 1.2)).all()
    assert (speeds[:10] < 0.8 * np.sqrt(2.0 * pressures[:10] / 1.2)).all()
    assert (np.diff(speeds) > 0.0).all()


def test_the_fastest_windway_comes_up_to_bernoulli():
    """Short and well rounded: 0.98 to 1 times sqrt(2 P/rho). Narrowing too, it comes up to it and not beyond, where
    entry loss and centre line by themselves, from separate sources, would be 13 % beyond.
    """
    head = load("d5-cylinder").head
    breaths = (100.0, 300.0, 1e3, 5e3, 2e4)
    for entry, least in ((1.0, 0.98), (2.5, 1.0 - 1e-12)):
        windway = Windway(length_mm=8.0, width_mm=10.0, entry_height_mm=entry, exit_height_mm=1.0, entry_flare_mm=2.0)
        flows = [windway_flow(head.model_copy(update={"windway": windway}), p, 1.2, 1.82e-5) for p in breaths]
        ratio = np.array([f.jet_speed for f in flows]) / np.sqrt(2.0 * np.array(breaths) / 1.2)
        assert (ratio < 1.0 + 1e-12).all()
        assert ratio.max() > least


def test_half_a_wave_between_slit_and_edge(cylinder):
    """Coltman 1976: at the resonance's own frequency the jet's wave takes half a period from slit to edge.

    Where a branch of harmonic balance crosses its resonance, the phase is pi within 4 %, half of that by the grid here.
    """
    settings, law = cylinder.settings, cylinder.law
    for note in cylinder.notes[:7]:
        f, p = note.branch.frequencies_hz, note.branch.pressures_pa
        assert f[0] < note.resonance_hz < np.nanmax(f)
        at = np.interp(note.resonance_hz, f[:8], p[:8])
        i = int(np.argmin(np.abs(law.pressures_pa - at)))
        # Both the wave's law and the memory that the notes were computed with.
        flow = law.flows[i]
        shaken = 2.0 * math.pi * note.resonance_hz * flow.half_width / flow.jet_speed
        nearest = shaken * math.sqrt(law.pressures_pa[i] / at)
        length = law.free_length_m / flow.half_width
        reynolds = flow.jet_speed * flow.half_width / 1.51e-5
        phase, _ = travelled(
            nearest,
            JetWay(length, 6.0 * length / reynolds, reynolds, settings.wave_speed, settings.growth),
            wave_table(),
        )
        assert phase == pytest.approx(math.pi, rel=0.045)


def ising(note, head, pressure_pa):
    """Return (U_B/f) sqrt(h/W^3)."""
    return (
        math.sqrt(2.0 * pressure_pa / 1.2)
        / note.target_hz
        * math.sqrt(head.windway.exit_height_mm / head.window_length_mm**3 * 1e6)
    )


def test_isings_number_of_a_whistle_in_tune(cylinder):
    """Ising: best near 2, useful 2 to 3, overblows beyond about 3 (from memory).

    d5-cylinder in tune: 2.8 on its lowest note, 2.2 to 2.4 on the others. It jumps at 3.6 to 3.9 on the five lowest
    notes, a fifth to a third beyond Ising's 3 (test_jet_pins.py holds the figures).
    """
    head = cylinder.network.model.head
    low = cylinder.notes[:7]
    in_tune = np.array([ising(n, head, n.in_tune_pa) for n in low])
    assert (in_tune > 2.0).all()
    assert (in_tune < 3.0).all()
    jump = np.array([ising(n, head, n.highest_pa) for n in low])
    assert (jump[:5] > 3.0).all()
    assert (jump[:5] < 4.0).all()


def brown_hz(stage, speed_cm_s, width_cm):
    """Brown 1937 (from memory): f = 0.466 j (U - 40)(1/W - 0.07), cm and s, j = 1, 2.3, 3.8, 5.4."""
    return 0.466 * stage * (speed_cm_s - 40.0) * (1.0 / width_cm - 0.07)


def test_edge_tones_are_a_quarter_more_than_whole_waves():
    """Brown's tones at 20 m/s and 4 mm (2219.5 Hz), b 0.4 mm, hold n to n + 1/4 waves (Curle, Powell) at n = 1, 2.

    Rayleigh's waves without the program's setting for their speed: an edge tone alone would ask for 1.0. Stage 2 comes
    to 2.00, a hair under two.
    """
    waves = [
        rayleigh_wave(np.array([2.0 * math.pi * brown_hz(stage, 2000.0, 0.4) * 0.4e-3 / 20.0]))[0][0] * 10.0
        / (2.0 * math.pi)
        for stage in (1.0, 2.3)
    ]  # fmt: skip
    assert 1.0 < waves[0] < 1.25
    assert 1.99 < waves[1] < 2.25
