"""What the openings' mutual impedances add to the sensitivities."""

from fluewright.acoustics.kernels.compiled import part
from fluewright.acoustics.kernels.coupling import RADIATION_REACH
from fluewright.acoustics.kernels.mutual import is_shut
from fluewright.acoustics.kernels.nodes import HOLE_NODE
from fluewright.acoustics.kernels.offsets import BLOCK_DEPTH, WINDOW_LENGTH
from fluewright.acoustics.kernels.slopes import AirSlopes, add_outside

__all__ = ["add_coupling"]


@part
def _add_pair(omega, gas, radiate, both, d, pair, mutual, one, other):
    """Add two openings to the slopes by their places, body radii and bore radii; return those to the air.

    both: product of their flows, twice where they are two; d: place of one less that of the other.
    """
    k = omega / gas.c
    front = both * complex(0.0, omega * gas.rho)
    turned = mutual.phase * complex(0.0, -radiate * k)
    reach = (k / RADIATION_REACH) ** 2 * mutual.share
    apart = abs(d)
    by_d = pair.delayed_by_z * mutual.phase + pair.delayed * turned + pair.near_by_z + k * k * pair.swell_by_z
    towards = (front * (by_d + complex(0.0, 2.0 * apart * reach * mutual.more))).imag
    if d < 0.0:
        towards = -towards
    one.x += towards
    other.x -= towards
    by_body = pair.delayed_by_body * mutual.phase + pair.near_by_body + k * k * pair.swell_by_body
    if pair.body > 0.0:
        by_body += complex(0.0, -3.0 * mutual.more / pair.body)
    share = 0.5 * (front * by_body).imag
    one.body += share
    other.body += share
    share = 0.5 * (front * pair.near_by_bore).imag
    one.bore += share
    other.bore += share
    by_c = pair.delayed * turned * apart + 2.0 * k * k * pair.swell
    by_c -= complex(0.0, mutual.more * (4.0 - 2.0 * reach * apart * apart))
    return AirSlopes(-(front * by_c).imag, (both * mutual.impedance).imag)


@part
def _lead_to_nodes(frame, into):
    """Turn the slopes by places and radii of the openings into those of the nodes, the body and the head."""
    openings = into.openings
    nodes = frame.nodes
    for i in range(nodes.size):
        node = nodes[i]
        if node.kind == HOLE_NODE:
            by = openings[node.index]
            into.nodes[i].x += by.x + add_outside(node.x, by.body, frame, into)
            into.nodes[i].r += by.bore
    foot = openings.size - 2
    window = openings[foot + 1]
    into.nodes[nodes.size - 1].x += openings[foot].x
    into.sizes.head[WINDOW_LENGTH] += 0.5 * window.x
    by_x = add_outside(nodes[0].x, window.body, frame, into)
    if frame.sizes.head[BLOCK_DEPTH] >= 0.0:
        into.sizes.head[BLOCK_DEPTH] += by_x


@part
def add_coupling(omega, states, plan, desk, frame, into):
    """Add what the openings do to each other to the sensitivities; return what it adds to those to the air.

    states: of the holes, shape (holes,).
    """
    if plan.formulas.coupled == 0:
        return AirSlopes(0.0, 0.0)
    places = plan.openings.places
    by_c = 0.0
    by_rho = 0.0
    for i in range(places.size):
        if is_shut(i, states):
            continue
        for j in range(i + 1):
            if is_shut(j, states):
                continue
            both = (2.0 if i != j else 1.0) * desk.openings[i].flow * desk.openings[j].flow
            air = _add_pair(
                omega, plan.gas, plan.formulas.radiate, both, places[i].x - places[j].x, plan.openings.pairs[i, j],
                desk.mutual[i, j], into.openings[i], into.openings[j],
            )  # fmt: skip
            by_c += air.c
            by_rho += air.rho
    _lead_to_nodes(frame, into)
    return AirSlopes(by_c, by_rho)
