"""What a model is before any frequency: the chain of its bore, its openings, its window, the air at its ends."""

from typing import NamedTuple

from fluewright.acoustics.kernels.along_bore import interpolate, warm
from fluewright.acoustics.kernels.chain import Chain, make_chain
from fluewright.acoustics.kernels.compiled import kernel, maker
from fluewright.acoustics.kernels.gas import Gas, calibrated, warmed
from fluewright.acoustics.kernels.given import Formulas, split
from fluewright.acoustics.kernels.losses import wide_table
from fluewright.acoustics.kernels.offsets import (
    BLOCK_DEPTH,
    C_SCALE,
    EAR,
    EDGE_OFFSET,
    EDGE_THICKNESS,
    LOSS,
    RAMP,
    WINDOW_LENGTH,
    WINDOW_SCALE,
    WINDOW_WIDTH,
)
from fluewright.acoustics.kernels.openings import Openings, make_openings
from fluewright.acoustics.kernels.window import window_inertance, window_solved
from fluewright.arrays import FloatArray

__all__ = ["Foot", "Plan", "Window", "make_plan", "plan_with_chain", "window_constants", "window_of_bore"]


class Window(NamedTuple):
    """The window as it stands: inertance over density, 1/m; its rise kappa; bore and outside radius there, m."""

    inertance: float
    kappa: float
    bore: float
    outer: float


class Foot(NamedTuple):
    """The open end: inner and outer radius, m, and the air there."""

    bore: float
    outer: float
    gas: Gas


class Plan(NamedTuple):
    """What `evaluate` needs beside frequency and fingers.

    gas: air at rest outside; at_face: air at the block face; zeta: factor on the wall losses; recess: length of the
    dead end behind the exit plane, m; con: constants of the holes, shape (holes, states, CONSTANTS); wall_table: see
    `losses.wide_table`.
    """

    gas: Gas
    formulas: Formulas
    zeta: float
    at_face: Gas
    recess: float
    window: Window
    foot: Foot
    con: FloatArray
    chain: Chain
    openings: Openings
    wall_table: FloatArray


@kernel
def window_of_bore(head, a, outer, given):
    """Return (inertance/rho, kappa) of the window for a given bore and body; head: shape (HEAD_SIZES,)."""
    if given.formulas.solved_window == 0:
        start = max(head[BLOCK_DEPTH], 0.0)
        m = window_inertance(head[WINDOW_LENGTH] - start, head[WINDOW_WIDTH], outer - a, head[RAMP], a, head[EAR])
        return head[WINDOW_SCALE] * m, 0.0
    m, kappa = window_solved(
        head[WINDOW_LENGTH], head[WINDOW_WIDTH], outer - a, head[RAMP], a, head[EAR], head[EDGE_OFFSET],
        head[EDGE_THICKNESS], head[BLOCK_DEPTH], given.window_table,
    )  # fmt: skip
    return head[WINDOW_SCALE] * m, kappa


@kernel
def _window(sizes, given):
    """Return the window as it stands."""
    start = max(sizes.head[BLOCK_DEPTH], 0.0)
    a = interpolate(start, sizes.bore).value
    outer = interpolate(start, sizes.outside).value
    m, kappa = window_of_bore(sizes.head, a, outer, given)
    return Window(m, kappa, a, outer)


@kernel
def _foot(sizes, end, gas):
    """Return the open end at the last node; gas: the air outside."""
    return Foot(end.r, interpolate(end.x, sizes.outside).value, warmed(gas, warm(end.x, sizes.head)))


@maker
def window_constants(given):
    """Return the window of a model as it stands."""
    return _window(split(given.sizes, given.n_bore, given.n_out), given)


@maker
def make_plan(given, nodes, con):
    """Return the plan of a model; con: constants of its holes, shape (holes, STATES, CONSTANTS)."""
    sizes = split(given.sizes, given.n_bore, given.n_out)
    head = sizes.head
    gas = calibrated(given.gas, head[C_SCALE])
    window = _window(sizes, given)
    return Plan(
        gas, given.formulas, head[LOSS] * given.formulas.lossy, warmed(gas, warm(nodes[0].x, head)),
        max(-head[BLOCK_DEPTH], 0.0), window, _foot(sizes, nodes[nodes.size - 1], gas), con,
        make_chain(head, nodes, con, False), make_openings(given, nodes, window.outer), wide_table(given.gas),
    )  # fmt: skip


@maker
def plan_with_chain(plan, chain):
    """Return the plan with another chain of the same bore."""
    return Plan(
        plan.gas, plan.formulas, plan.zeta, plan.at_face, plan.recess, plan.window, plan.foot, plan.con, chain,
        plan.openings, plan.wall_table,
    )  # fmt: skip
