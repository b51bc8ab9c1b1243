"""fluewright: design, make, tune and judge duct flutes with computed acoustics.

    import fluewright as fw

    whistle = fw.change(fw.load("d5-cylinder"), a4_hz=442.0)
    fw.predict(whistle)

What is offered here is loaded when it is first used; docs/python.md shows all of it.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from fluewright.version import __version__

if TYPE_CHECKING:
    from fluewright.acoustics.range_notes import RangeNote
    from fluewright.acoustics.uncertainty import ShopTolerances
    from fluewright.bench.policy import CutPolicy
    from fluewright.errors import (
        ComputeError,
        FluewrightError,
        InputError,
        LedgerError,
        MissingPartError,
        ModelError,
        RecordingError,
    )
    from fluewright.face.advising import PieceAdvice, advise
    from fluewright.face.blowing import BlownNotes, blow
    from fluewright.face.drawing import Picture, draw
    from fluewright.face.fitting import FittedModel, fit
    from fluewright.face.ledgers import PieceAtBench, RecordedCut, ShopLedger, open_ledger
    from fluewright.face.listening import HeardNotes, listen
    from fluewright.face.models import change, load, models, save, sizes
    from fluewright.face.papers import sheet
    from fluewright.face.predicting import PredictedNotes, SizeEffects, predict, sensitivity
    from fluewright.face.records import RecordTable
    from fluewright.face.sounding import PlayedSound, hear
    from fluewright.instrument.model import Model

__all__ = [
    "BlownNotes",
    "ComputeError",
    "CutPolicy",
    "FittedModel",
    "FluewrightError",
    "HeardNotes",
    "InputError",
    "LedgerError",
    "MissingPartError",
    "Model",
    "ModelError",
    "Picture",
    "PieceAdvice",
    "PieceAtBench",
    "PlayedSound",
    "PredictedNotes",
    "RangeNote",
    "RecordTable",
    "RecordedCut",
    "RecordingError",
    "ShopLedger",
    "ShopTolerances",
    "SizeEffects",
    "__version__",
    "advise",
    "blow",
    "change",
    "draw",
    "fit",
    "hear",
    "listen",
    "load",
    "models",
    "open_ledger",
    "predict",
    "save",
    "sensitivity",
    "sheet",
    "sizes",
]

# Where each name is found; the same as above, for the moment when it is used.
_HOMES = {
    "acoustics.range_notes": ("RangeNote",),
    "acoustics.uncertainty": ("ShopTolerances",),
    "bench.policy": ("CutPolicy",),
    "errors": (
        "ComputeError",
        "FluewrightError",
        "InputError",
        "LedgerError",
        "MissingPartError",
        "ModelError",
        "RecordingError",
    ),
    "face.advising": ("PieceAdvice", "advise"),
    "face.blowing": ("BlownNotes", "blow"),
    "face.drawing": ("Picture", "draw"),
    "face.fitting": ("FittedModel", "fit"),
    "face.ledgers": ("PieceAtBench", "RecordedCut", "ShopLedger", "open_ledger"),
    "face.listening": ("HeardNotes", "listen"),
    "face.models": ("change", "load", "models", "save", "sizes"),
    "face.papers": ("sheet",),
    "face.predicting": ("PredictedNotes", "SizeEffects", "predict", "sensitivity"),
    "face.records": ("RecordTable",),
    "face.sounding": ("PlayedSound", "hear"),
    "instrument.model": ("Model",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


if not TYPE_CHECKING:  # a type checker that saw it would let every misspelt name pass

    def __getattr__(name: str) -> Any:
        """Load what is asked for by name, once."""
        if name not in _HOME_OF:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        found = getattr(import_module(f"{__name__}.{_HOME_OF[name]}"), name)
        globals()[name] = found
        return found


def __dir__() -> list[str]:
    """Return the public names."""
    return sorted(__all__)
