"""The head in an enlarged length section, on paper and as a control: its lines, page, parts, places, jet and sizes."""

from fluewright.pictures.section.jet import JetDrawn
from fluewright.pictures.section.places import PLACE_NAMES
from fluewright.pictures.section.whole import head_section

__all__ = ["PLACE_NAMES", "JetDrawn", "head_section"]
