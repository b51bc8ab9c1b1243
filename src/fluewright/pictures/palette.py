"""Which colours the pictures use in the light and in the dark theme."""

from dataclasses import dataclass, replace
from typing import Literal

from fluewright.errors import InputError

__all__ = ["DARK", "LIGHT", "PAPER", "Palette", "Theme", "contrast_ratio", "palette_for"]

Theme = Literal["light", "dark", "paper"]


@dataclass(frozen=True)
class Palette:
    """Colours of one theme as ``#rrggbb``; every colour named ``*_text`` may carry letters."""

    ground: str
    ink_text: str
    quiet_text: str
    register_1_text: str
    register_2_text: str
    register_3_text: str
    forecast_text: str
    forecast_mark: str
    body_fill: str
    wall_fill: str
    block_fill: str
    band_fill: str
    faint_line: str

    def register_text(self, register: int) -> str:
        """Return the colour of a register's marks and numbers."""
        if register == 1:
            return self.register_1_text
        return self.register_2_text if register == 2 else self.register_3_text


LIGHT = Palette(
    ground="#f4f1ea",
    ink_text="#1f2a30",
    quiet_text="#4f5b61",
    register_1_text="#7a3e5c",
    register_2_text="#166566",
    register_3_text="#1f2a30",
    forecast_text="#785310",
    forecast_mark="#d9a441",
    body_fill="#e3dccd",
    wall_fill="#d3c8b3",
    block_fill="#b9c4c6",
    band_fill="#dfe6dd",
    faint_line="#a9aca8",
)
DARK = Palette(
    ground="#1f2a30",
    ink_text="#f4f1ea",
    quiet_text="#bcc4c4",
    register_1_text="#dd9fbf",
    register_2_text="#6cc5c3",
    register_3_text="#f4f1ea",
    forecast_text="#d9a441",
    forecast_mark="#d9a441",
    body_fill="#35434a",
    wall_fill="#4a5a62",
    block_fill="#5f7177",
    band_fill="#2c3d3c",
    faint_line="#6f7c81",
)


PAPER = replace(LIGHT, ground="#ffffff")


def palette_for(theme: str) -> Palette:
    """Return the palette of a theme: ``"light"``, ``"dark"``, or ``"paper"`` (light on white, to print).

    Raises
    ------
    InputError
        There is no such theme.
    """
    if theme == "paper":
        return PAPER
    if theme == "light":
        return LIGHT
    if theme == "dark":
        return DARK
    raise InputError(f"theme is {theme!r}; use 'light', 'dark' or 'paper'.")


def _luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast_ratio(first: str, second: str) -> float:
    """Return the contrast ratio of two ``#rrggbb`` colours, 1 (equal) to 21.

    References
    ----------
    .. [1] W3C, Web Content Accessibility Guidelines 2.2, definitions of relative luminance and contrast
    ratio.
    """
    light, dark = sorted((_luminance(first), _luminance(second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)
