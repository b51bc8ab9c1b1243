"""What the bench says of each kind of cut: what to do, with what, what it cannot give back, and the usual caution."""

from fluewright.instrument.sizes import CutKind, size_name

__all__ = ["BY_HAND", "CAUTION", "LASTS", "how_to_cut", "place_of_cut"]

_HOW = {
    CutKind.HOLE: "open hole {name} evenly all round by {step:.2f} mm on the diameter",
    CutKind.FOOT: "shorten the foot by {step:.2f} mm, square to the bore",
    CutKind.ROUNDING: "round the outer edge of hole {name} by {step:.2f} mm more, evenly",
    CutKind.CHAMFER: "chamfer the inner edge of hole {name} by {step:.2f} mm more",
    CutKind.UNDERCUT: "undercut hole {name} all round by {step:.2f} mm more at its bore end",
    CutKind.UNDERCUT_UP: "undercut hole {name} on the window's side by {step:.2f} mm more",
    CutKind.UNDERCUT_DOWN: "undercut hole {name} on the foot's side by {step:.2f} mm more",
    CutKind.WINDOW: "lengthen the window by {step:.2f} mm at the edge, along the ramp",
    CutKind.BORE: "open the bore at station {name} by {step:.2f} mm on the diameter",
}
LASTS = {
    CutKind.HOLE: "a hole opened too far can only be bushed or waxed",
    CutKind.FOOT: "what the foot has lost only a ring or a new body gives back",
    CutKind.ROUNDING: "a rounded edge cannot be made sharp again",
    CutKind.CHAMFER: "the inner edge cannot be made sharp again",
    CutKind.UNDERCUT: "an undercut can only be filled with wax",
    CutKind.UNDERCUT_UP: "an undercut can only be filled with wax",
    CutKind.UNDERCUT_DOWN: "an undercut can only be filled with wax",
    CutKind.WINDOW: "the edge cannot come back; voicing changes with it: blow every note again",
    CutKind.BORE: "a bore opened too far needs a sleeve; it moves every note",
}
CAUTION = {
    CutKind.HOLE: "Clear chips from the bore; let plastic cool a minute, metal three, before playing.",
    CutKind.FOOT: "Hold the body in soft jaws; keep fingers behind the blade.",
    CutKind.ROUNDING: "Hold the body firmly and cut away from the fingers.",
    CutKind.CHAMFER: "Work from the bore with light; wipe the bore clean.",
    CutKind.UNDERCUT: "Never lever against the opposite wall of the bore.",
    CutKind.UNDERCUT_UP: "Never lever against the opposite wall of the bore.",
    CutKind.UNDERCUT_DOWN: "Never lever against the opposite wall of the bore.",
    CutKind.WINDOW: "Keep hard tools off the edge; one stroke, then play.",
    CutKind.BORE: "Reamers grab: turn by hand, clear chips every few millimetres, mind the dust.",
}
BY_HAND = {
    CutKind.FOOT: "fine saw or facing tool, then a flat file",
    CutKind.ROUNDING: "scraper or ball of abrasive paper",
    CutKind.CHAMFER: "hooked scraper through the bore",
    CutKind.UNDERCUT: "undercutting tool or hooked knife",
    CutKind.UNDERCUT_UP: "hooked knife",
    CutKind.UNDERCUT_DOWN: "hooked knife",
    CutKind.WINDOW: "fine flat file along the ramp",
    CutKind.BORE: "bore reamer or abrasive on a stick, at that place only",
}


def place_of_cut(kind: CutKind, key: str) -> str:
    """Return where a cut is made, in words: "hole 3", "foot end", "window"."""
    return str(kind) if kind is CutKind.WINDOW else size_name(key).place


def how_to_cut(kind: CutKind, key: str, step_mm: float) -> str:
    """Return what to do, in words, for a cut of so many mm."""
    size = size_name(key)
    return _HOW[kind].format(name=size.hole or size.station, step=step_mm)
