"""What sizes do to one piece of duct, and what the bore's pieces and steps add to the sensitivities."""

import math
from typing import NamedTuple

from fluewright.acoustics.kernels.along_bore import warm_slope
from fluewright.acoustics.kernels.arithmetic import inverse
from fluewright.acoustics.kernels.chain import HOLE, STEP
from fluewright.acoustics.kernels.compiled import fused_kernel, part
from fluewright.acoustics.kernels.gas import warmed
from fluewright.acoustics.kernels.offsets import LOSS
from fluewright.acoustics.kernels.segments import log_mean_radius, step_length, waves
from fluewright.acoustics.kernels.slopes import AirSlopes

__all__ = ["Duct", "Ends", "add_bore", "duct_of", "duct_slopes"]


class Duct(NamedTuple):
    """A cylinder or cone: length, radius towards the window and away from it, mean radius and its slopes by both."""

    length: float
    r1: float
    r2: float
    mean: float
    mean_by_r1: float
    mean_by_r2: float


class Ends(NamedTuple):
    """(vp, vu): the adjoint state on the window's side; (p, u): pressure and flow on the other."""

    vp: complex
    vu: complex
    p: complex
    u: complex


class _DuctSlopes(NamedTuple):
    """Slopes of the loop's impedance by a duct's sizes, by zeta, and by the logarithms of its air's c, rho and mu."""

    length: complex
    r1: complex
    r2: complex
    zeta: complex
    c: complex
    rho: complex
    mu: complex


@part
def duct_of(length, r1, r2):
    """Return a duct of these sizes."""
    if r1 == r2:
        return Duct(length, r1, r2, r1, 0.5, 0.5)
    mean, by_r1, by_r2 = log_mean_radius(r1, r2)
    return Duct(length, r1, r2, mean, by_r1, by_r2)


@fused_kernel
def duct_slopes(duct, wave, by, ends):
    """Return v dT/dq s of a duct's two-port T for every q of its slopes; by: slopes of its line."""
    length, r1, r2 = duct.length, duct.r1, duct.r2
    vp, vu, p, u = ends
    e = wave.g * length
    inv_e = inverse(e)
    ch, sh = waves(wave.g, length)
    area = math.pi * r1 * r2
    bb = wave.zc * sh / area
    front = math.pi * r1 * r1 * wave.yc
    if r1 == r2:
        cc = front * sh
        t_ratio = vp * (ch - inv_e * sh) * p + vu * cc * p + vu * (inv_e * sh - ch) * u
        t_e = vp * (sh * p + wave.zc * ch / area * u) + vu * (front * ch * p + sh * u)
        ratio = 1.0
    else:
        ratio = r2 / r1
        m = (ratio - 1.0) * inv_e
        m2 = m * m
        cc = front * ((ratio - m2) * sh + e * m2 * ch)
        dd = (ch + m * sh) / ratio
        mr = inv_e
        me = -m * inv_e
        t_ratio = (
            vp * (ch - mr * sh) * p
            + vu * front * ((1.0 - 2.0 * m * mr) * sh + 2.0 * e * m * mr * ch) * p
            + vu * (-dd + mr * sh) / ratio * u
        )
        t_e = (
            vp * (ratio * sh - me * sh - m * ch) * p
            + vp * wave.zc * ch / area * u
            + vu * front * (-2.0 * m * me * sh + ratio * ch + 2.0 * e * m * me * ch + e * m2 * sh) * p
            + vu * (sh + me * sh + m * ch) / ratio * u
        )
    t_b = vp * bb * u
    t_c = vu * cc * p
    t_lz = t_b - t_c
    by_ln_mean = t_e * by.g_by_a * length + t_lz * by.zc_by_a * wave.yc
    by_mean = by_ln_mean / duct.mean
    half = 0.5 * by_ln_mean
    return _DuctSlopes(
        t_e * wave.g,
        -t_ratio * ratio / r1 - t_b / r1 + 2.0 * t_c / r1 + by_mean * duct.mean_by_r1,
        t_ratio / r1 - t_b / r2 + by_mean * duct.mean_by_r2,
        t_e * by.g_by_zeta * length + t_lz * by.zc_by_zeta * wave.yc,
        -t_e * e + t_lz,
        half + t_lz,
        -half,
    )


@part
def _add_piece(element, work, above, wave, by_line, lossy, frame, into):
    """Add a cylinder or cone of the bore to the sensitivities; return what it adds to those to the air.

    work, above: pressure and flow at its foot's side and at its window's side.
    """
    i = element.node
    upper = into.nodes[i]
    lower = into.nodes[i + 1]
    found = duct_slopes(
        duct_of(element.length, element.upper, element.lower), wave, by_line, Ends(above.u, -above.p, work.p, work.u)
    )
    s1 = element.from_share
    s2 = element.to_share
    upper.x -= found.length.imag * (s2 - s1)
    lower.x += found.length.imag * (s2 - s1)
    upper.r += (found.r1 * (1.0 - s1) + found.r2 * (1.0 - s2)).imag
    lower.r += (found.r1 * s1 + found.r2 * s2).imag
    into.sizes.head[LOSS] += found.zeta.imag * lossy
    middle = 0.5 * (s1 + s2)
    x = frame.nodes[i].x + middle * (frame.nodes[i + 1].x - frame.nodes[i].x)
    by_x = warm_slope(into.sizes.head, x, frame.sizes.head, found.c.imag, found.rho.imag, found.mu.imag)
    upper.x += by_x * (1.0 - middle)
    lower.x += by_x * middle
    return AirSlopes(found.c.imag, found.rho.imag)


@part
def _add_step(omega, element, u, rho, frame, into):
    """Add a step in diameter to the sensitivities; return what it adds to those to the air."""
    i = element.node
    narrow = min(element.upper, element.lower)
    added, by_narrow, by_wide = step_length(narrow, max(element.upper, element.lower))
    w = (complex(0.0, omega * rho / (math.pi * narrow * narrow)) * u * u).imag
    to_narrow = w * (by_narrow - 2.0 * added / narrow)
    upper_narrow = element.upper < element.lower
    into.nodes[i].r += to_narrow if upper_narrow else w * by_wide
    into.nodes[i + 1].r += w * by_wide if upper_narrow else to_narrow
    into.nodes[i].x += warm_slope(into.sizes.head, frame.nodes[i].x, frame.sizes.head, 0.0, w * added, 0.0)
    return AirSlopes(0.0, w * added)


@part
def add_bore(omega, plan, desk, frame, into):
    """Add all pieces and steps of the bore to the sensitivities; return what they add to those to the air."""
    by_c = 0.0
    by_rho = 0.0
    for e in range(plan.chain.elements.size):
        element = plan.chain.elements[e]
        work = desk.elements[e]
        if element.kind == HOLE:
            continue
        if element.kind == STEP:
            air = _add_step(omega, element, work.u, warmed(plan.gas, element.tau).rho, frame, into)
        else:
            air = _add_piece(
                element, work, desk.elements[e + 1], desk.waves[element.line], into.lines[element.line],
                plan.formulas.lossy, frame, into,
            )  # fmt: skip
        by_c += air.c
        by_rho += air.rho
    return AirSlopes(by_c, by_rho)
