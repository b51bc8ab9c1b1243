"""Where the lines of a head's length section run, in millimetres of the instrument."""

import math
from functools import cached_property

from fluewright.instrument.model import Model
from fluewright.instrument.shape import bore_diameter_mm, outside_diameter_mm

__all__ = ["HeadLines"]


class HeadLines:
    """Lines of the length section: x from the windway's exit plane, heights over the bore's upper line there.

    The windway's floor is drawn parallel to the axis; a difference of entry and exit height lies in the roof.

    Attributes
    ----------
    floor, roof, entry_roof, wall, edge_y, ear : float
        Heights of the windway's floor, its roof at exit and entry, the body's outside, the edge and the ears' top.
    edge_x, ramp_end, face : float
        Where edge, upper end of the ramp and block face lie.
    rise : float
        From the edge to the body's outside.
    upper_along, upper_drop, lower_along, lower_drop : float
        The chamfers along and across the windway.
    """

    def __init__(self, model: Model) -> None:
        self.model = model
        head, way = model.head, model.head.windway
        self.bore_0 = bore_diameter_mm(model, 0.0)
        self.wall = 0.5 * (outside_diameter_mm(model, 0.0) - self.bore_0)
        self.floor = way.floor_height_mm
        self.roof = self.floor + way.exit_height_mm
        self.entry_roof = self.floor + way.entry_height_mm
        self.edge_x = head.window_length_mm
        self.edge_y = 0.5 * (self.floor + self.roof) + head.edge_offset_mm
        self.rise = max(self.wall - self.edge_y, 0.0)
        self.ramp_end = self.edge_x + self.rise / math.tan(math.radians(max(head.ramp_angle_deg, 1.0)))
        self.face = head.block_depth_mm
        upper, lower = head.upper_chamfer, head.lower_chamfer
        self.upper_along = upper.length_mm * math.cos(math.radians(upper.angle_deg))  # the length lies along the flat
        self.upper_drop = upper.length_mm * math.sin(math.radians(upper.angle_deg))
        self.lower_along = lower.length_mm * math.cos(math.radians(lower.angle_deg))
        self.lower_drop = lower.length_mm * math.sin(math.radians(lower.angle_deg))
        # Ears are measured from the upper side of the edge.
        over = math.inf if head.ear_height_mm is None else self.edge_y + head.broken_edge_mm + head.ear_height_mm
        self.ear = min(over, self.wall)

    @cached_property
    def top(self) -> float:
        """Height that the section needs over the bore's upper line."""
        return max(self.wall, self.roof, self.entry_roof + self.model.head.windway.entry_flare_mm) + 0.3

    def bore_y(self, x: float) -> float:
        """Return the height of the bore's upper line at ``x``."""
        first = self.model.bore.stations_mm[0][0]
        return 0.5 * (bore_diameter_mm(self.model, max(x, first)) - self.bore_0)

    def outside_y(self, x: float) -> float:
        """Return the height of the body's outside at ``x``."""
        first = self.model.bore.outside_mm[0][0]
        return 0.5 * (outside_diameter_mm(self.model, max(x, first)) - self.bore_0)

    def roof_y(self, x: float) -> float:
        """Return the height of the windway's roof at ``x``, with the entry's flare."""
        way = self.model.head.windway
        slope = self.floor + way.exit_height_mm + (way.entry_height_mm - way.exit_height_mm) * (-x / way.length_mm)
        flare_run = min(2.0, 0.25 * way.length_mm)
        into = max(0.0, -x - (way.length_mm - flare_run)) / flare_run
        return slope + way.entry_flare_mm * into
