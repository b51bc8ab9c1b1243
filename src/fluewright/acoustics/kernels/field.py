"""Pressure and flow at any place inside the bore, from one solution."""

from fluewright.acoustics.kernels.chain import CONE, CYLINDER
from fluewright.acoustics.kernels.compiled import kernel
from fluewright.acoustics.kernels.gas import warmed
from fluewright.acoustics.kernels.segments import piece

__all__ = ["put_field"]

_NEAR = 1e-12  # m; nearer than this is at the same place


@kernel
def _above(omega, x, x1, x2, r1, r2, gas, zeta, p, u):
    """Return (p, u) at x in a piece from x1 to x2 of these radii, from those at x2; a cone's radius grows straight."""
    x = min(max(x, x1), x2)
    if x2 - x <= 0.0:
        return p, u
    r = r1 + (r2 - r1) * (x - x1) / (x2 - x1) if x > x1 else r1
    t = piece(omega, x2 - x, r, r2, gas, zeta)
    return t.a * p + t.b * u, t.c * p + t.d * u


@kernel
def _in_bore(x, head_side, omega, nodes, plan, desk):
    """Return (p, u) at x between block face and foot; where pieces meet, on the head's side or on the foot's."""
    found = -1
    x1 = 0.0
    x2 = 0.0
    for e in range(plan.chain.elements.size):
        element = plan.chain.elements[e]
        if element.kind not in (CYLINDER, CONE):
            continue
        upper = nodes[element.node].x
        length = nodes[element.node + 1].x - upper
        low = upper + element.from_share * length
        high = upper + element.to_share * length
        if low - _NEAR <= x <= high + _NEAR:
            found = e
            x1 = low
            x2 = high
            if not head_side:
                break
    element = plan.chain.elements[found]
    below = desk.elements[found]
    gas = warmed(plan.gas, element.tau)
    return _above(omega, x, x1, x2, element.upper, element.lower, gas, plan.zeta, below.p, below.u)


@kernel
def _in_dead_end(x, omega, plan, desk):
    """Return (p, u) at x between block face and exit plane: no flow at the block, the bore's pressure at the plane."""
    face = desk.elements[desk.elements.size - 1].p
    a = plan.window.bore
    whole = piece(omega, plan.recess, a, a, plan.at_face, plan.zeta)
    return _above(omega, x, -plan.recess, 0.0, a, a, plan.at_face, plan.zeta, face, -whole.c / whole.d * face)


@kernel
def put_field(x, head_side, omega, nodes, plan, desk, p, u):
    """Fill pressure and flow towards the foot at the places x, all arrays of shape (places,).

    head_side: whether a place where pieces meet has the values on the head's side, or those on the foot's.
    """
    for i in range(x.size):
        dead = plan.recess > 0.0 and (x[i] < -_NEAR or (head_side[i] and abs(x[i]) <= _NEAR))
        if dead:
            p[i], u[i] = _in_dead_end(x[i], omega, plan, desk)
        else:
            p[i], u[i] = _in_bore(x[i], head_side[i], omega, nodes, plan, desk)
