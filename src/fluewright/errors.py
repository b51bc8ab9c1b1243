"""The errors that fluewright raises on purpose; every message says what was found, the rule, and the mend.

FluewrightError
+-- InputError (ValueError)        bad input from a person or a file
|   +-- ModelError                 a model file or its sizes
|   +-- RecordingError             a sound file
|   +-- LedgerError                the shop's records
+-- ComputeError (RuntimeError)    a computation that could not be done for valid input
+-- MissingPartError               a part of the program that is not installed

An error about one thing that was asked for carries its name in ``field``: ``reason``, ``a4_hz``, ``checked``, or a
size's key. A face puts its own word there: the command line its option, a page its label.
"""

from collections.abc import Callable

__all__ = [
    "ComputeError",
    "FluewrightError",
    "InputError",
    "LedgerError",
    "MissingPartError",
    "ModelError",
    "RecordingError",
]


class FluewrightError(Exception):
    """Root of all errors raised on purpose."""


class InputError(FluewrightError, ValueError):
    """Input that cannot be used.

    Parameters
    ----------
    problem : str
        What was found, the limit and the mend; without the field's name where ``field`` is given.
    field : str
        What was asked for: an argument's name or a size's key; empty where the problem names its place itself.
    """

    def __init__(self, problem: str, *, field: str = "") -> None:
        super().__init__(problem)
        self.problem = problem
        self.field = field

    def __str__(self) -> str:
        return self.worded(lambda field: field)

    def worded(self, name: Callable[[str], str]) -> str:
        """Return the message with the field called as a face calls it; ``name`` turns a field into that word."""
        return f"{name(self.field)}: {self.problem}" if self.field else self.problem


class ModelError(InputError):
    """A model file, or the instrument that it describes, is not usable."""


class RecordingError(InputError):
    """A sound file is not usable."""


class LedgerError(InputError):
    """A record is missing or would contradict what the ledger holds."""


class ComputeError(FluewrightError, RuntimeError):
    """A computation did not reach its result for input that looked valid."""


class MissingPartError(FluewrightError):
    """Something was asked for that needs a part of the program which is not installed."""
