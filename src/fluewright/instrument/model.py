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

    @model_validator(mode="after")
    def _possible(self) -> "Model":
        faults = find_faults(self)
        if faults:
            raise PydanticCustomError("impossible", "{text}", {"text": "; ".join(faults), "faults": faults})
        return self
