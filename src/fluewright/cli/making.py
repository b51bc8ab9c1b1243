"""Papers for the shop."""

from pathlib import Path
from typing import Annotated

import typer

from fluewright.cli.arguments import ModelArg
from fluewright.cli.printing import console, put
from fluewright.files import named_after

__all__ = ["sheet"]


def sheet(
    model: ModelArg,
    out: Annotated[Path | None, typer.Option("--out", "-o", help="PDF to write; NAME-sheet.pdf by default.")] = None,
) -> None:
    """Write the shop sheet: drawing, dimensions from one datum, hole template at 1:1."""
    from fluewright.acoustics.network import build_network
    from fluewright.acoustics.resonance import predict_notes
    from fluewright.instrument.starting import load
    from fluewright.making.sheet import write_sheet
    from fluewright.shop.result_pictures import predicted_marks

    loaded = load(model)
    path = out or Path(f"{named_after(loaded.model.name)}-sheet.pdf")
    with console(error=True).status("drawing"):
        write_sheet(loaded, path, marks=predicted_marks(predict_notes(build_network(loaded))), timestamp=None)
    put(f"{path}\n")
