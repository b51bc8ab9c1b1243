"""The shop's records: models, instruments, trials, cuts and corrections, none ever overwritten."""

from fluewright.ledger.backup import BackupReport, back_up
from fluewright.ledger.connection import open_ledger
from fluewright.ledger.export import ExportReport, export_ledger
from fluewright.ledger.ledger import Ledger
from fluewright.ledger.records import (
    AdjustmentMade,
    Begun,
    Correction,
    Cut,
    Event,
    HeadTrialLogged,
    Instrument,
    Measurement,
    ModelVersion,
    PieceState,
    StateChange,
    Trial,
    TrialNote,
)
from fluewright.ledger.replay import kind_of
from fluewright.ledger.restore import RestoreReport, restore
from fluewright.ledger.trouble import LedgerTrouble, TroubleKind
from fluewright.ledger.verify import VerifyReport, verify

__all__ = [
    "AdjustmentMade",
    "BackupReport",
    "Begun",
    "Correction",
    "Cut",
    "Event",
    "ExportReport",
    "HeadTrialLogged",
    "Instrument",
    "Ledger",
    "LedgerTrouble",
    "Measurement",
    "ModelVersion",
    "PieceState",
    "RestoreReport",
    "StateChange",
    "Trial",
    "TrialNote",
    "TroubleKind",
    "VerifyReport",
    "back_up",
    "export_ledger",
    "kind_of",
    "open_ledger",
    "restore",
    "verify",
]
