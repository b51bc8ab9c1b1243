"""Numbers as pictures and papers print them: one minus sign, no zero with a sign, decimals as they are read."""

from fluewright.units import minus, signed

__all__ = ["cents_words", "enlargement_words", "fixed", "general", "scale_words", "short", "step_words"]


def fixed(value: float, digits: int = 2) -> str:
    """Return a number with so many decimals, such as ``12.50`` or ``\u22120.30``."""
    text = f"{value:.{digits}f}"
    return minus(text) if text.strip("-0.") else text.removeprefix("-")


def short(value: float, digits: int = 2) -> str:
    """Return a number with at most so many decimals, such as ``12.5``."""
    text = fixed(value, digits)
    return text.rstrip("0").rstrip(".") if "." in text else text


def general(value: float) -> str:
    """Return a number with up to six figures, such as ``0.0025`` or ``\u221220``."""
    return minus(f"{value:g}") if value else "0"


def cents_words(cents: float) -> str:
    """Return cents with their sign, to a tenth, whole from 100 on."""
    return signed(cents, 1 if abs(cents) < 99.95 else 0)


def step_words(value: float) -> str:
    """Return a number at an axis that has both signs: ``+10``, ``0``, ``\u22122.5``."""
    return minus(f"{value:+g}") if value else "0"


def scale_words(scale: float) -> str:
    """Return a usual scale as printed: ``1:2`` for 0.5, ``4:1`` for 4."""
    return f"1:{1.0 / scale:g}" if scale <= 1.0 else f"{scale:g}:1"


def enlargement_words(scale: float) -> str:
    """Return any scale as printed: ``scale 1:1.87``, ``scale 2.50:1``."""
    return f"scale 1:{1.0 / scale:.2f}" if scale <= 1.0 else f"scale {scale:.2f}:1"
