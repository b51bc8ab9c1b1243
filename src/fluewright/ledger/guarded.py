"""Work on a ledger's content, guarded: where it stumbles over damage, the damage is told."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from fluewright.errors import FluewrightError, LedgerError
from fluewright.ledger.trouble import damaged, trouble
from fluewright.ledger.verify import verify

__all__ = ["told"]


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Guard work on a ledger's content: where it stumbles over damage, the damage is told instead of the stumble.

    What goes wrong in a whole ledger is a fault of the program and comes through as it is.

    Raises
    ------
    LedgerTrouble
        The ledger is damaged.
    """
    try:
        yield
    except (FluewrightError, OSError):
        raise
    except sqlite3.Error as error:
        raise trouble(path, "read", error) from error
    except Exception as error:
        try:
            findings = verify(path).findings
        except LedgerError as other:
            raise other from error
        if not findings:
            raise
        raise damaged(path, findings[0]) from error
