"""An instrument: all the parts of one model, which together can exist."""

from pydantic import model_validator
from pydantic_core import PydanticCustomError

from fluewright.instrument.faults import find_faults
from fluewright.instrument.parts import Parts

__all__ = ["Model"]


class Model(Parts):
    """One model: all that one TOML file holds. It cannot be built with impossible sizes.

    Raises
    ------
    pydantic.ValidationError
        On building, with every fault; `fluewright.instrument.files.read_model` turns it into a
        ``ModelError``.
    """

    def __repr__(self) -> str:
        """Return in one line what it is; `files.model_text` tells every size."""
        return (
            f"<Model {self.model.name}: lowest note {self.model.lowest_note}, {len(self.holes)} holes, "
            f"{self.length_mm:.1f} mm, A4 = {self.target.a4_hz:g} Hz at {self.conditions.temperature_c:g} degC>"
        )

    def __str__(self) -> str:
        return repr(self)

    @model_validator(mode="after")
    def _possible(self) -> "Model":
        faults = find_faults(self)
        if faults:
            raise PydanticCustomError("impossible", "{text}", {"text": "; ".join(faults), "faults": faults})
        return self
