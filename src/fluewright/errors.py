"""The errors that fluewright raises on purpose; every message says what was found, the rule, and the mend.

FluewrightError
+-- InputError (ValueError)        bad input from a person or a file
|   +-- ModelError                 a model file or its sizes
|   +-- RecordingError             a sound file
|   +-- LedgerError                the shop's records
+-- ComputeError (RuntimeError)    a computation that could not be done for valid input
"""

__all__ = ["ComputeError", "FluewrightError", "InputError", "LedgerError", "ModelError", "RecordingError"]


class FluewrightError(Exception):
    """Root of all errors raised on purpose."""


class InputError(FluewrightError, ValueError):
    """Input that cannot be used; the message names the place, the value, the limit and the mend."""


class ModelError(InputError):
    """A model file, or the instrument that it describes, is not usable."""


class RecordingError(InputError):
    """A sound file is not usable."""


class LedgerError(InputError):
    """A record is missing or would contradict what the ledger holds."""


class ComputeError(FluewrightError, RuntimeError):
    """A computation did not reach its result for input that looked valid."""
