"""How a drawing in millimetres becomes safe SVG text."""

import base64
import math
import re
from collections.abc import Iterable, Sequence

from fluewright.errors import InputError
from fluewright.plain_text import unobeyed

__all__ = ["FONT_FAMILY", "Drawing", "clean_text", "fit_text", "number", "text_width_mm"]

FONT_FAMILY = "'DejaVu Sans Mono', ui-monospace, monospace"
_ADVANCE_EM = 0.6021
"""Width of one letter of the fixed-pitch face in em; common fixed-pitch faces are no wider."""
_ASCENT_EM = 0.76
_DESCENT_EM = 0.24
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def clean_text(text: str) -> str:
    """Return the text escaped for SVG, on one line, without characters that XML forbids or a reader would obey."""
    flat = unobeyed(_NOT_XML.sub("\ufffd", re.sub(r"[\n\r\t]", " ", text)))
    return (
        flat.replace("&", "&amp;")
        .replace("<", "&lt;")
        .replace(">", "&gt;")
        .replace('"', "&quot;")
        .replace("'", "&#39;")
    )


def number(value: float) -> str:
    """Return a coordinate with at most four decimals (0.1 micrometre), never in exponent form.

    Raises
    ------
    InputError
        It is not finite.
    """
    if not math.isfinite(value):
        raise InputError(f"a coordinate of a drawing is {value}, not a finite number.")
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def text_width_mm(text: str, size_mm: float) -> float:
    """Return the printed width of a text in the drawings' fixed-pitch face."""
    # Letters outside the Latin ranges may come from a face with double width.
    letters = sum(2 if ord(letter) > 0x2E7F else 1 for letter in text)
    return letters * _ADVANCE_EM * size_mm


def fit_text(text: str, size_mm: float, width_mm: float) -> str:
    """Return the text, cut with an ellipsis where it would be wider than ``width_mm``."""
    if text_width_mm(text, size_mm) <= width_mm:
        return text
    kept = text
    while kept and text_width_mm(kept + "…", size_mm) > width_mm:
        kept = kept[:-1]
    return kept + "…"


class Drawing:
    """A drawing in millimetres, x to the right and y down, that grows by marks and ends as SVG text.

    Parameters
    ----------
    width_mm, height_mm : float
        Size on paper. One user unit of the SVG is one millimetre.
    left_mm, top_mm : float
        Coordinates of the upper left corner.
    """

    def __init__(self, width_mm: float, height_mm: float, *, left_mm: float = 0.0, top_mm: float = 0.0) -> None:
        self.width_mm = width_mm
        self.height_mm = height_mm
        self.left_mm = left_mm
        self.top_mm = top_mm
        self._parts: list[str] = []
        self._open_groups = 0

    def _tag(self, name: str, attributes: dict[str, str | float | int | None], inside: str | None = None) -> None:
        words = [name]
        for key, value in attributes.items():
            if value is None:
                continue
            shown = number(value) if isinstance(value, (int, float)) else clean_text(value)
            words.append(f'{key.replace("_", "-")}="{shown}"')
        head = " ".join(words)
        self._parts.append(f"<{head}/>" if inside is None else f"<{head}>{inside}</{name}>")

    def open_group(self, **attributes: str | float | int | None) -> None:
        """Begin a group; names with an underscore become attribute names with a dash (``data_note``)."""
        words = ["g"]
        for key, value in attributes.items():
            if value is not None:
                shown = number(value) if isinstance(value, (int, float)) else clean_text(value)
                words.append(f'{key.rstrip("_").replace("_", "-")}="{shown}"')
        self._parts.append(f"<{' '.join(words)}>")
        self._open_groups += 1

    def close_group(self) -> None:
        """End the group opened last."""
        self._parts.append("</g>")
        self._open_groups -= 1

    def describe(self, text: str) -> None:
        """Give the drawing or the open group a text for readers that do not see it."""
        self._parts.append(f"<title>{clean_text(text)}</title>")

    def line(
        self,
        x1: float,
        y1: float,
        x2: float,
        y2: float,
        *,
        stroke: str,
        width: float = 0.2,
        dash: str | None = None,
    ) -> None:
        """Draw a straight line."""
        self._tag(
            "line",
            {"x1": x1, "y1": y1, "x2": x2, "y2": y2, "stroke": stroke, "stroke_width": width,
             "stroke_dasharray": dash},
        )  # fmt: skip

    def rect(
        self, x: float, y: float, width: float, height: float, *, fill: str = "none",
        stroke: str | None = None, stroke_width: float = 0.2,
    ) -> None:  # fmt: skip
        """Draw a rectangle from its upper left corner."""
        self._tag(
            "rect",
            {"x": x, "y": y, "width": width, "height": height, "fill": fill, "stroke": stroke,
             "stroke_width": stroke_width if stroke else None},
        )  # fmt: skip

    def image(self, x: float, y: float, width: float, height: float, *, png: bytes) -> None:
        """Place a PNG, stretched to the rectangle."""
        data = base64.b64encode(png).decode("ascii")
        self._tag(
            "image",
            {"x": x, "y": y, "width": width, "height": height, "preserveAspectRatio": "none",
             "href": f"data:image/png;base64,{data}"},
        )  # fmt: skip

    def ellipse(
        self, x: float, y: float, rx: float, ry: float, *, fill: str = "none", stroke: str | None = None,
        width: float = 0.2, dash: str | None = None,
    ) -> None:  # fmt: skip
        """Draw an ellipse from its centre and half axes."""
        self._tag(
            "ellipse",
            {"cx": x, "cy": y, "rx": rx, "ry": ry, "fill": fill, "stroke": stroke,
             "stroke_width": width if stroke else None, "stroke_dasharray": dash},
        )  # fmt: skip

    def polyline(
        self, points: Iterable[tuple[float, float]], *, fill: str = "none", stroke: str | None = None,
        width: float = 0.2, dash: str | None = None, closed: bool = False,
    ) -> None:  # fmt: skip
        """Draw a broken line, or a closed outline."""
        text = " ".join(f"{number(x)},{number(y)}" for x, y in points)
        self._tag(
            "polygon" if closed else "polyline",
            {"points": text, "fill": fill, "stroke": stroke, "stroke_width": width if stroke else None,
             "stroke_dasharray": dash, "stroke_linejoin": "round" if stroke else None},
        )  # fmt: skip

    def text(
        self, x: float, y: float, text: str, *, size: float, fill: str, anchor: str = "start",
        bold: bool = False, backing: str | None = None, turned: bool = False,
    ) -> None:  # fmt: skip
        """Print a text with its base line at ``y``, on a `backing` of that colour where one is given.

        A ``turned`` text reads upward; ``x`` is then its base line and ``y`` the anchor along it.
        """
        if backing is not None:
            length = text_width_mm(text, size)
            shift = {"start": 0.0, "middle": -0.5 * length, "end": -length}[anchor]
            up, high = _ASCENT_EM * size, (_ASCENT_EM + _DESCENT_EM) * size
            if turned:
                self.rect(x - up, y - shift - length, high, length, fill=backing)
            else:
                self.rect(x + shift, y - up, length, high, fill=backing)
        self._tag(
            "text",
            {"x": x, "y": y, "font_size": size, "fill": fill,
             "text_anchor": None if anchor == "start" else anchor,
             "font_weight": "bold" if bold else None,
             "transform": f"rotate(-90 {number(x)} {number(y)})" if turned else None},
            clean_text(text),
        )  # fmt: skip

    def dimension(
        self, x1: float, x2: float, y: float, text: str, *, size: float, stroke: str, fill: str, backing: str
    ) -> None:
        """Draw a horizontal dimension line with arrow heads and its number in the middle or beside it."""
        left, right = min(x1, x2), max(x1, x2)
        head = min(1.6, 0.3 * (right - left))
        self.line(left, y, right, y, stroke=stroke, width=0.15)
        for tip, way in ((left, 1.0), (right, -1.0)):
            self.polyline(
                [(tip, y), (tip + way * head, y - 0.35), (tip + way * head, y + 0.35)],
                fill=stroke,
                closed=True,
            )
        if text_width_mm(text, size) + 2.0 * head < right - left:
            self.text(
                0.5 * (left + right),
                y + 0.36 * size,
                text,
                size=size,
                fill=fill,
                anchor="middle",
                backing=backing,
            )
        else:
            self.text(right + 1.0, y + 0.36 * size, text, size=size, fill=fill)

    def to_svg(
        self, *, ground: str | None = None, description: str = "", data: Sequence[tuple[str, float]] = (),
        role: str = "img",
    ) -> str:  # fmt: skip
        """Return the whole drawing as SVG text.

        Parameters
        ----------
        ground : str, optional
            Colour of the background.
        description : str
            Text for readers that do not see the picture.
        data : sequence of (name, number)
            Extra ``data-name`` attributes of the root, for pages that move marks.
        role : str
            "img", or "group" where parts of it are pressed.

        Raises
        ------
        ValueError
            A group is still open.
        """
        if self._open_groups:
            raise ValueError("a group of the drawing was not closed")
        corner = f"{number(self.left_mm)} {number(self.top_mm)}"
        size = f"{number(self.width_mm)} {number(self.height_mm)}"
        extra = "".join(f' data-{name}="{value:.9f}"' for name, value in data)
        back = ""
        if ground is not None:
            back = (
                f'<rect x="{number(self.left_mm)}" y="{number(self.top_mm)}" width="{number(self.width_mm)}" '
                f'height="{number(self.height_mm)}" fill="{ground}"/>'
            )
        title = f"<title>{clean_text(description)}</title>" if description else ""
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{number(self.width_mm)}mm" '
            f'height="{number(self.height_mm)}mm" viewBox="{corner} {size}" role="{role}" '
            f'font-family="{FONT_FAMILY}"{extra}>{title}{back}\n' + "\n".join(self._parts) + "\n</svg>\n"
        )
