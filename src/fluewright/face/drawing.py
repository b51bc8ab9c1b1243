"""Pictures for scripts and notebooks: an SVG that shows itself and can be saved, and drawings of a model."""

from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, get_args

from fluewright.errors import InputError
from fluewright.files import write_whole
from fluewright.instrument.model import Model
from fluewright.pictures.palette import Theme
from fluewright.pictures.section import head_section
from fluewright.pictures.views import side_view, top_view

__all__ = ["Picture", "Pictured", "View", "draw"]

View = Literal["side", "top", "head"]


@dataclass(frozen=True)
class Picture:
    """A picture to scale, one user unit of the SVG a millimetre.

    Attributes
    ----------
    title : str
    svg : str
    """

    title: str
    svg: str = field(repr=False)

    def save(self, path: str | Path) -> Path:
        """Write the SVG and return its file.

        Raises
        ------
        InputError
            It cannot be written there.
        """
        return write_whole(path, self.svg)

    def _repr_svg_(self) -> str:
        return self.svg


class Pictured(ABC):
    """Something that a notebook shows as its picture."""

    @abstractmethod
    def picture(self) -> Picture:
        """Return its picture."""

    def _repr_svg_(self) -> str | None:
        return self.picture().svg


def draw(model: Model, view: View = "side", *, theme: Theme = "light", width_mm: float = 180.0) -> Picture:
    """Draw a model to scale, with its sizes.

    Parameters
    ----------
    model : Model
    view : {"side", "top", "head"}
        In length section, from the window's side, or the head in an enlarged section with the jet of the lowest note.
    theme : {"light", "dark", "paper"}
    width_mm : float
        Width on paper.

    Raises
    ------
    InputError
        There is no such view or theme, or the instrument fits no usual scale.
    """
    if view not in get_args(View):
        raise InputError(f"is {view!r}; it can be {', '.join(get_args(View))}", field="view")
    name = model.model.name
    if view == "head":
        from fluewright.shop.head_pictures import lowest_jet

        return Picture(f"{name}: head", head_section(model, theme=theme, width_mm=width_mm, jet=lowest_jet(model)))
    seen = side_view if view == "side" else top_view
    return Picture(f"{name}: {view} view", seen(model, theme=theme, width_mm=width_mm))
