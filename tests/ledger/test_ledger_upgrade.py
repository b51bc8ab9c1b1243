"""Ledgers of every schema there was, as the program of its time left them, open, keep all and stay whole."""

import hashlib
import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from alembic.script import ScriptDirectory
from ledger_samples import HEAD_TRIAL

from fluewright.ledger import (
    AdjustmentMade,
    Begun,
    Correction,
    Cut,
    HeadTrialLogged,
    Measurement,
    PieceState,
    StateChange,
    Trial,
    TrialNote,
    open_ledger,
    verify,
)
from fluewright.ledger.connection import migration_config
from fluewright.ledger.schema import SCHEMA_REVISION

DATA = Path(__file__).with_name("data")
# Written down when the samples were made: number and hash of each one's newest event.
NEWEST = {
    "0001": (8, "bf5a1b0f53c30d28688a822651f28533dcc8a4c5ec0f9809daf3bdf93483788b"),
    "0002": (10, "a5de67d23395a6b9f6fa65c0460e933258b2767cd682497409eaa605bdb81ca9"),
    "0003": (10, "a5de67d23395a6b9f6fa65c0460e933258b2767cd682497409eaa605bdb81ca9"),
}
SIZES = {"hole 3 diameter_mm": 6.35, "hole 4 diameter_mm": 7.1, "ramp_angle_deg": 14.5, "wall_mm": 2.1}
PRESENT = {
    "0001": SIZES | {"block_depth_mm": -0.15},
    "0002": SIZES | {"block_depth_mm": 0.05, "window_length_mm": 4.6},
    "0003": SIZES | {"block_depth_mm": 0.05, "window_length_mm": 4.6},
}


@pytest.fixture(params=sorted(NEWEST))
def revision(request: pytest.FixtureRequest) -> str:
    return request.param


@pytest.fixture
def old(revision: str, tmp_path: Path) -> Path:
    return Path(shutil.copyfile(DATA / f"schema-{revision}.ledger", tmp_path / "shop.ledger"))


def revision_of(path: Path) -> str:
    with closing(sqlite3.connect(path)) as plain:
        return plain.execute("SELECT version_num FROM alembic_version").fetchone()[0]


def test_every_schema_has_its_sample() -> None:
    migrations = ScriptDirectory.from_config(migration_config()).walk_revisions()
    assert {f"schema-{migration.revision}.ledger" for migration in migrations} == {
        path.name for path in DATA.glob("*.ledger")
    }
    assert {revision: revision_of(DATA / f"schema-{revision}.ledger") for revision in NEWEST} == {
        revision: revision for revision in NEWEST
    }


def test_an_older_ledger_is_upgraded_when_it_is_opened(revision: str, old: Path) -> None:
    before = old.read_bytes()
    if revision != SCHEMA_REVISION:
        assert verify(old).findings == (
            f"the schema is {revision}, this fluewright has {SCHEMA_REVISION}: "
            "open the ledger once to upgrade it, then verify again",
        )
    with open_ledger(old) as ledger:
        assert ledger.newest_event() == NEWEST[revision]
    assert revision_of(old) == SCHEMA_REVISION
    report = verify(old, must_hold=NEWEST[revision])
    assert report.findings == ()
    assert (report.models, report.instruments, report.events) == (2, 1, NEWEST[revision][0])
    backups = list(old.parent.glob(f"shop.ledger.schema-{revision}.*.backup"))
    assert len(backups) == (revision != SCHEMA_REVISION)
    for backup in backups:
        assert revision_of(backup) == revision
        # The same events, byte for byte, as before the upgrade.
        assert events_of(backup) == events_of(written(before, old.parent / "before"))


def written(content: bytes, path: Path) -> Path:
    path.write_bytes(content)
    return path


def events_of(path: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as plain:
        return plain.execute("SELECT * FROM events ORDER BY id").fetchall()


def test_everything_in_an_older_ledger_comes_back(revision: str, old: Path) -> None:
    with open_ledger(old) as ledger:
        assert [(model.name, model.version, model.lineage) for model in ledger.models()] == [
            ("d5-cylinder", 1, None),
            ("d5-cylinder", 2, "d5-cylinder 1"),
        ]
        for model in ledger.models():
            assert hashlib.sha256(model.toml_text.encode()).hexdigest() == model.toml_sha256
        piece = ledger.instrument("D5-0007")
        history = ledger.history("D5-0007")
    assert (piece.material, piece.lot, piece.model_version, piece.state) == ("plum wood", "P-14", 1, PieceState.TUNED)
    assert piece.as_built == PRESENT[revision]
    kinds = [Begun, Measurement, Trial, Cut, Correction, StateChange, HeadTrialLogged, AdjustmentMade]
    assert [type(event) for event in history] == kinds[: len(history)]
    assert len(history) == NEWEST[revision][0] - 2
    assert {event.person for event in history} == {"bench 1 (größer)"}
    _, measured, trial, cut, correction, *_ = history
    assert isinstance(measured, Measurement)
    assert (measured.as_built, measured.gauge) == ({"wall_mm": 2.1}, "caliper")
    assert isinstance(trial, Trial)
    assert trial.taken_at == datetime(2024, 3, 5, 7, 30, tzinfo=UTC)
    assert (trial.model_version, trial.breath_pa, trial.remarks) == (2, None, "dry\nday")
    assert trial.recording_name == "zweite Probe, größer.wav"
    assert trial.notes[1] == TrialNote(
        note="D5",
        register=2,
        target_hz=1180.0,
        frequency_hz=1185.0,
        frequency_uncertainty_hz=0.05,
        cents=7.3,
    )
    assert isinstance(cut, Cut)
    assert (cut.after_mm, cut.originals, cut.corrected_by) == (
        6.35,
        {"after_mm": 6.4, "as_built_after": {"hole 3 diameter_mm": 6.4}},
        (7,),
    )
    assert cut.forecast == {"cents": {"G5": -2.0}, "risk": 0.05}
    assert isinstance(correction, Correction)
    assert (correction.corrected_event_id, correction.replacement) == (6, {"after_mm": 6.35})
    for event in history:
        if isinstance(event, HeadTrialLogged):
            assert (event.body, event.good, event.temperature_c) == ("good body", True, 20.5)
            assert event.readings["notes"] == [{"note": "D5", "jump_pa": [280.0, 8.0]}]
        if isinstance(event, AdjustmentMade):
            assert (event.adjustment, event.steps, event.changes) == ("block-forward", 2.0, {"block_depth_mm": 0.2})


def test_work_goes_on_in_an_older_ledger(revision: str, old: Path) -> None:
    with open_ledger(old) as ledger:
        # One more number was given out than was taken, and stays used.
        assert ledger.next_serial("D5") == "D5-0009"
        made = ledger.log_head_trial("D5-0007", **HEAD_TRIAL)
        assert made.event_id == NEWEST[revision][0] + 1
        ledger.correct(6, reason="once more", replacement={"after_mm": 6.3})
        assert ledger.as_built("D5-0007")["hole 3 diameter_mm"] == 6.3
    assert verify(old, must_hold=NEWEST[revision]).findings == ()
    with closing(sqlite3.connect(old)) as plain, pytest.raises(sqlite3.IntegrityError, match="append-only"):
        plain.execute("UPDATE events SET person = 'someone'")


def test_events_cut_off_before_an_upgrade_are_still_missed(old: Path) -> None:
    """The greatest number ever used goes along with the events, so that a shortened ledger shows it."""
    with closing(sqlite3.connect(old)) as plain, plain:
        trigger = plain.execute("SELECT sql FROM sqlite_master WHERE name = 'events_no_delete'").fetchone()[0]
        plain.execute("DROP TRIGGER events_no_delete")
        (last,) = plain.execute("SELECT max(id) FROM events").fetchone()
        for table in ("adjustments", "head_trials", "state_changes"):
            if plain.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (table,)).fetchone():
                plain.execute(f"DROP TRIGGER IF EXISTS {table}_no_delete")
                plain.execute(f"DELETE FROM {table} WHERE event_id = {last}")
                plain.execute(
                    f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: record a correction'); END"
                )
        plain.execute(f"DELETE FROM events WHERE id = {last}")
        plain.execute(trigger)
    open_ledger(old).close()
    assert verify(old).findings == (f"events after {last - 1} were removed: numbers up to {last} had been used",)
