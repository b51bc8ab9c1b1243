"""In what air and with what breath a trial is played."""

from dataclasses import dataclass

from fluewright.errors import InputError
from fluewright.instrument.model import Model
from fluewright.shop.played import breath_ratio

__all__ = ["TrialConditions", "checked_temperature"]

_COLDEST_C, _WARMEST_C = -20.0, 60.0
_LEAST_PA, _MOST_PA = 5.0, 10_000.0
# A breath this far from the planned one is a slip of the unit.
_LEAST_RATIO, _MOST_RATIO = 0.05, 20.0


def checked_temperature(temperature_c: float) -> float:
    """Return a room's temperature if it can be meant.

    Raises
    ------
    InputError
        It is below -20 or above 60 degC, or no number.
    """
    if not _COLDEST_C <= temperature_c <= _WARMEST_C:
        raise InputError(
            f"{temperature_c:g} degC cannot be meant; give {_COLDEST_C:g} to {_WARMEST_C:g}", field="temperature_c"
        )
    return temperature_c


@dataclass(frozen=True)
class TrialConditions:
    """Air and breath of a trial; None where they were not measured.

    Attributes
    ----------
    temperature_c : float or None
        Air in the bore.
    breath_pa : float or None
        Breath measured on the lowest note; the others are blown by the model's plan.

    Raises
    ------
    InputError
        They cannot be meant; the error names the field.
    """

    temperature_c: float | None = None
    breath_pa: float | None = None

    def __post_init__(self) -> None:
        if self.temperature_c is not None:
            checked_temperature(self.temperature_c)
        if self.breath_pa is not None and not _LEAST_PA <= self.breath_pa <= _MOST_PA:
            raise InputError(
                f"{self.breath_pa:g} Pa cannot be meant; give {_LEAST_PA:g} to {_MOST_PA:g} (10 mm of water are 98 Pa)",
                field="breath_pa",
            )

    def ratio(self, model: Model) -> float | None:
        """Return the breath over what the model plans for its lowest note; None where it was not measured.

        Raises
        ------
        InputError
            It is so far from the plan that another unit was meant.
        """
        if self.breath_pa is None:
            return None
        ratio = breath_ratio(model, self.breath_pa)
        if not _LEAST_RATIO <= ratio <= _MOST_RATIO:
            raise InputError(
                f"{self.breath_pa:g} Pa; {model.model.name} plans {self.breath_pa / ratio:.0f} Pa for its lowest note, "
                f"and {_LEAST_RATIO:g} to {_MOST_RATIO:g} times that can be meant: check the unit (10 mm of water are "
                "98 Pa)",
                field="breath_pa",
            )
        return ratio
