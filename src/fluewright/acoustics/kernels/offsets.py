"""Where every size stands in the vector of sizes (SI); bore stations, outside stations and holes follow.

Stations are pairs (x, radius); a hole has HOLE_SIZES entries, see `holes.py`.
"""

__all__ = [
    "BLOCK_DEPTH",
    "BULGE",
    "C_SCALE",
    "EAR",
    "EDGE_OFFSET",
    "EDGE_THICKNESS",
    "HALF",
    "HEAD_SIZES",
    "HOLE_SCALE",
    "LOSS",
    "RAMP",
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
