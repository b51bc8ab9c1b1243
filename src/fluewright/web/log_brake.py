"""A log that cannot be flooded from outside: so many lines, then how many were left out."""

import logging
import sys

from fluewright.web.rates import Rates

__all__ = ["braked_log"]

_A_SECOND, _BURST = 1.0, 50.0
_LONGEST = 8_000


class _Brake(logging.Filter):
    """Lets a share of the lines through."""

    def __init__(self) -> None:
        super().__init__()
        self._rates = Rates(_A_SECOND, _BURST)
        self._left_out = 0

    def filter(self, record: logging.LogRecord) -> bool:
        if not self._rates.may(""):
            self._left_out += 1
            return False
        if self._left_out:
            record.msg, record.args = f"({self._left_out} lines were left out) {record.getMessage()}", ()
            self._left_out = 0
        return True


class _Short(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        text = super().format(record)
        # The end of a traceback says what went wrong.
        return text if len(text) <= _LONGEST else f"{text[: _LONGEST // 4]}\n...\n{text[-_LONGEST // 2 :]}"


def braked_log() -> None:
    """Send what the server and its libraries have to say to standard error, at a bounded rate."""
    handler = logging.StreamHandler(sys.stderr)
    handler.addFilter(_Brake())
    handler.setFormatter(_Short("%(levelname)s %(name)s: %(message)s"))
    for name in ("uvicorn", "asyncio", "websockets", "fluewright.web"):
        logger = logging.getLogger(name)
        logger.handlers[:] = [handler]
        logger.setLevel(logging.WARNING)
        logger.propagate = False
