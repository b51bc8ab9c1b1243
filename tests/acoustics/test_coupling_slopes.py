"""The slopes of both fits of coupling are those of the fits themselves, by differences."""

import math

import pytest

from fluewright.acoustics.kernels.coupling import inner_coupling, outer_coupling


def test_slopes_of_both_fits():
    for z, r, angle in ((0.02, 0.009, 0.0), (0.011, 0.011, 0.4), (0.03, 0.008, math.pi)):
        free, fz, fr, body, bz, br, swell, sz, sr = outer_coupling(z, r, angle)
        for step, slopes in (((1e-8, 0.0), (fz, bz, sz)), ((0.0, 1e-8), (fr, br, sr))):
            up = outer_coupling(z + step[0], r + step[1], angle)
            down = outer_coupling(z - step[0], r - step[1], angle)
            for at, slope, size in zip((0, 3, 6), slopes, (free, body, swell), strict=True):
                assert slope == pytest.approx((up[at] - down[at]) / 2e-8, rel=1e-5, abs=1e-5 * abs(size) / z)
        _, iz, ia = inner_coupling(z, r, angle)
        assert iz == pytest.approx(
            (inner_coupling(z + 1e-8, r, angle)[0] - inner_coupling(z - 1e-8, r, angle)[0]) / 2e-8, rel=1e-5
        )
        assert ia == pytest.approx(
            (inner_coupling(z, r + 1e-8, angle)[0] - inner_coupling(z, r - 1e-8, angle)[0]) / 2e-8, rel=1e-5
        )
