"""Papers for the shop from a script."""

from pathlib import Path

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import predict_notes
from fluewright.instrument.model import Model
from fluewright.making.sheet import write_sheet
from fluewright.shop.result_pictures import predicted_marks

__all__ = ["sheet"]


def sheet(model: Model, path: str | Path) -> Path:
    """Write the shop sheet (PDF) and return it: drawings, sizes from one datum, hole template at 1:1.

    Raises
    ------
    InputError
        It cannot be written there.
    ComputeError
        A fingering has no resonance, or the page could not be typeset.
    """
    marks = predicted_marks(predict_notes(build_network(model)))
    write_sheet(model, Path(path), marks=marks, timestamp=None)
    return Path(path)
