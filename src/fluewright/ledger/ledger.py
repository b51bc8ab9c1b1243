"""The shop's records, open for writing and reading; what can be written and asked is grouped by subject.

- `ModelVersions`: models, version by version;
- `Pieces`: serial numbers, pieces as they stand now;
- `Work`: measurements, trials, cuts, head trials, adjustments, states;
- `Corrections`: mistakes put right;
- `Questions`: histories, and trials, cuts and voicing across pieces.
"""

from fluewright.ledger.corrections import Corrections
from fluewright.ledger.model_versions import ModelVersions
from fluewright.ledger.pieces import Pieces
from fluewright.ledger.questions import Questions
from fluewright.ledger.work import Work

__all__ = ["Ledger"]


class Ledger(ModelVersions, Pieces, Work, Corrections, Questions):
    """The shop's records, open.

    Made by `fluewright.ledger.open_ledger`, used in a `with` statement or closed by `close`. May be used by several
    threads, and by several programs at once. Every method is one transaction; what it refuses leaves no trace. Every
    method raises LedgerError when the ledger was closed, or cannot be read or written.
    """
