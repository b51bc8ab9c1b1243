"""Where every size stands in the vector of sizes (SI); bore stations, outside stations and holes follow.

The head's sizes come first; then stations, pairs (x, radius); then HOLE_SIZES entries a hole. Below stand the places
within the head, within a station and within a hole.
"""

__all__ = [
    "BLOCK_DEPTH",
    "BULGE",
    "C_SCALE",
    "DOWNSTREAM",
    "EAR",
    "EDGE_OFFSET",
    "EDGE_THICKNESS",
    "HALF",
    "HEAD_SIZES",
    "HOLE_RADIUS",
    "HOLE_SCALE",
    "HOLE_SIZES",
    "INNER_CHAMFER",
    "LOSS",
    "OUTER_ROUND",
    "PLACE",
    "RADIUS",
    "RAMP",
    "UNDERCUT",
    "UNDERCUT_SLOPE",
    "UPSTREAM",
    "WAIST",
    "WARM_LENGTH",
    "WARM_SHARE",
    "WINDOW_LENGTH",
    "WINDOW_SCALE",
    "WINDOW_WIDTH",
]

BLOCK_DEPTH = 0
WINDOW_LENGTH = 1
WINDOW_WIDTH = 2
RAMP = 3
EAR = 4
LOSS = 5
WINDOW_SCALE = 6
HOLE_SCALE = 7
C_SCALE = 8
BULGE = 9
HALF = 10
WARM_SHARE = 11
WARM_LENGTH = 12
EDGE_OFFSET = 13
EDGE_THICKNESS = 14
HEAD_SIZES = 15

# Of a station.
PLACE = 0
RADIUS = 1

# Of a hole: its place first, as of a station; radius of its straight part, rounding of the rim, chamfer inside,
# undercut all round, upstream and downstream, tangent of the undercut's angle, waist.
HOLE_RADIUS = 1
OUTER_ROUND = 2
INNER_CHAMFER = 3
UNDERCUT = 4
UPSTREAM = 5
DOWNSTREAM = 6
UNDERCUT_SLOPE = 7
WAIST = 8
HOLE_SIZES = 9
