"""Where bench and records meet: trials out of the ledger, advice, cuts and what was learned into it and back."""

from fluewright.shop.backups import BackupState, backup_state, make_backup
from fluewright.shop.learning import learned_from, ledger_scores
from fluewright.shop.pieces import (
    ANALYSIS_VERSION,
    PieceSoFar,
    begin_piece,
    check_same_piece,
    checked_sizes,
    correct_cut,
    cut_forecast,
    earlier_trials,
    found_pieces,
    history_rows,
    log_heard,
    overview,
    record_cut,
    trial_notes,
)

__all__ = [
    "ANALYSIS_VERSION",
    "BackupState",
    "PieceSoFar",
    "backup_state",
    "begin_piece",
    "check_same_piece",
    "checked_sizes",
    "correct_cut",
    "cut_forecast",
    "earlier_trials",
    "found_pieces",
    "history_rows",
    "learned_from",
    "ledger_scores",
    "log_heard",
    "make_backup",
    "overview",
    "record_cut",
    "trial_notes",
]
