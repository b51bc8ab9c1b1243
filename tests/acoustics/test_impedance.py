import numpy as np
import pytest

from fluewright.acoustics.impedance import impedance_curve, lattice_cutoff_hz
from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import resonances
from fluewright.errors import InputError
from fluewright.instrument.starting import load


def test_loop_reactance_vanishes_at_the_resonance_and_bore_adds_the_window():
    network = build_network(load("d5-cylinder"))
    f = resonances(network).frequencies_hz
    curve = impedance_curve(network, 2, f[2:3])
    assert abs(curve.loop[0].imag) < 1e-6 * abs(curve.bore[0])
    assert (curve.loop - curve.bore)[0].imag > 0
    assert curve.bore[0].real > 0


def test_cutoff_of_a_starting_model_is_within_the_usual_range():
    """1 to 3 kHz for small duct flutes with large holes (common practice, no source)."""
    assert 1000 < lattice_cutoff_hz(build_network(load("d5-cylinder"))) < 3500


@pytest.mark.parametrize("bad", [[0.0], [5e-324], [0.99], [-5.0], [float("nan")], [], [30000.0]])
def test_impossible_frequencies_are_refused(bad):
    with pytest.raises(InputError, match="impedance"):
        impedance_curve(build_network(load("d5-cylinder")), 0, np.array(bad))
