"""How messages about a model name a hole and write a size."""

from fluewright.instrument.parts import Hole

__all__ = ["hole_place", "mm"]


def mm(value: float) -> str:
    """Return a size as messages show it, to 0.0001."""
    return str(round(float(value), 4))


def hole_place(index: int, hole: Hole) -> str:
    """Return a hole's place in the file, with its name; `index` counts from 0."""
    return f'holes.{index + 1} (name "{hole.name}")'
