"""Bytes of a ledger are flipped: every change of data or schema is named, and no verb stumbles over one."""

import contextlib
import io
import random
import shutil
import sqlite3
import sys
import tempfile
from collections.abc import Sequence
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

from attack.registry import Effort, Finding, part
from fluewright.cli import main
from fluewright.errors import FluewrightError
from fluewright.instrument.starting import load
from fluewright.ledger import back_up, open_ledger, verify
from fluewright.ledger.ledger_file import SIDE_FILES
from fluewright.shop.models import save_version
from fluewright.shop.pieces import begin_piece

__all__ = ["run"]

_SERIAL = "D5-0001"
_VERBS = (
    ("show",), ("show", _SERIAL), ("verify",), ("export", "{folder}/export"), ("backup", "{folder}/backup"),
    ("trust",), ("certificate", _SERIAL, "-o", "{folder}/certificate.pdf"), ("add-model", "f4-taper"),
    ("begin", "d5-cylinder", "--prefix", "D5"), ("measure", _SERIAL, "--size", "holes.2.diameter_mm=6.5"),
    ("cut", _SERIAL, "holes.1.diameter_mm", "6.9", "7.0", "--tool", "reamer", "--reason", "flat"),
    ("correct", _SERIAL, "{cut}", "6.8", "--reason", "misread"),
    ("correct-time", _SERIAL, "{trial}", "2024-03-05T09:00:00+01:00", "--reason", "clock"),
    ("state", _SERIAL, "tuned", "--reason", "in tune"), ("restore", "{folder}/template"),
)  # fmt: skip


@part("flips", quick=0.02)
def flips(effort: Effort) -> list[Finding]:
    """Flip 250 bytes, one at a time."""
    rows = run(effort.of(250, least=5), effort.seed)
    return [Finding(what, count, bad, note) for what, count, bad, note in rows]


def run(count: int, seed: int) -> list[tuple[str, int, int, str]]:
    """Flip bytes of a ledger, one at a time, and return rows of a table.

    Parameters
    ----------
    count : int
        How many.
    seed : int

    Returns
    -------
    list of (what, tried, bad, note)
    """
    draw = random.Random(f"flips {seed}")
    changed = unnamed = faulted = copied = used = stumbled = 0
    notes: dict[str, set[str]] = {"unnamed": set(), "copied": set(), "stumbled": set()}
    # In memory where the system has such a folder: nothing here is about what reaches the disk.
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as name:
        template, known = _template(Path(name))
        whole, content = _said(template), template.read_bytes()
        for number in range(count):
            folder = Path(name) / f"flip-{number}"
            folder.mkdir()
            flipped, where = _flipped(content, draw)
            ledger = folder / "shop.ledger"
            ledger.write_bytes(flipped)
            differs = _said(ledger) != whole
            named = bool(_findings(ledger))
            changed, faulted = changed + differs, faulted + named
            if differs and not named:
                unnamed += 1
                notes["unnamed"].add(where)
            if named and _is_copied(ledger, folder / "copy.ledger"):
                copied += 1
                notes["copied"].add(where)
            shutil.copyfile(template, folder / "template")
            for verb in _VERBS:
                used += 1
                fault = _stumble([word.format(folder=folder, **known) for word in verb], ledger)
                if fault:
                    stumbled += 1
                    notes["stumbled"].add(f"{verb[0]}: {fault} ({where})")
            shutil.rmtree(folder)

    def note(kind: str) -> str:
        return "; ".join(sorted(notes[kind])[:4])

    return [
        ("changes of data or schema, not named", changed, unnamed, note("unnamed")),
        ("ledgers that verify faults, copied as checked", faulted, copied, note("copied")),
        ("verbs on flipped ledgers, with a traceback", used, stumbled, note("stumbled")),
    ]


def _template(folder: Path) -> tuple[Path, dict[str, int]]:
    """Return a ledger with an event of every kind, in one file, and the numbers of some of its events."""
    path = folder / "making.ledger"
    save_version(path, load("d5-cylinder"))
    begin_piece(path, "d5-cylinder", prefix="D5", sizes={"holes.1.diameter_mm": 6.8}, material="plum", lot="P-14")
    begin_piece(path, "d5-cylinder", prefix="F#4", material="pear")
    with open_ledger(path, person="bench 1") as book:
        trial = book.log_trial(
            _SERIAL, taken_at=datetime.now(UTC) - timedelta(hours=1), temperature_c=21.5, relative_humidity=0.45,
            breath_pa=180.0, recording_sha256="ab" * 32, recording_name="take.wav", analysis_version="1",
            notes=[{"note": "D5", "register": 1, "target_hz": 590.0, "frequency_hz": 588.3,
                    "frequency_uncertainty_hz": 0.05, "cents": -5.0}],
            as_built={},
        )  # fmt: skip
        cut = book.log_cut(
            _SERIAL, feature="holes.1.diameter_mm", before_mm=6.8, after_mm=6.9, tool="reamer", reason="flat",
            forecast={"cents_after": {"D5 1": -2.0}, "sigma_after": {"D5 1": 1.0}}, as_built_after={},
        )  # fmt: skip
        book.log_measurement(_SERIAL, as_built={"bore.stations_mm.2.diameter": 12.0}, gauge="caliper")
        book.log_head_trial(_SERIAL, readings={"format": "sample/1", "notes": []}, temperature_c=20.0,
                            analysis_version="1")  # fmt: skip
        book.log_adjustment(_SERIAL, adjustment="block-forward", title="block forward", steps=1.0, changes={},
                            forecast={"readings": []})  # fmt: skip
        book.set_state(_SERIAL, "voiced", "speaks")
        book.correct(trial.event_id, reason="misread", replacement={"temperature_c": 22.0})
    template = folder / "template.ledger"
    back_up(path, template)
    return template, {"cut": cut.event_id, "trial": trial.event_id}


def _flipped(content: bytes, draw: random.Random) -> tuple[bytes, str]:
    """Return the content with one byte changed, mostly one that is in use, and where."""
    at = draw.randrange(len(content))
    while content[at] == 0 and draw.random() < 0.9:
        at = draw.randrange(len(content))
    new = content[at] ^ (1 << draw.randrange(8))
    if draw.random() < 0.3:
        new = draw.choice([byte for byte in range(256) if byte != content[at]])
    return content[:at] + bytes([new]) + content[at + 1 :], f"byte {at}: {content[at]} to {new}"


def _said(path: Path) -> object:
    """Return all that a ledger holds, its schema too; None where it cannot be read."""
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?immutable=1", uri=True)) as plain:
            schema = plain.execute("SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY type, name").fetchall()
            tables = sorted(name for kind, name, _, _ in schema if kind == "table")
            rows = [plain.execute(f'SELECT * FROM "{name}" NOT INDEXED').fetchall() for name in tables]
            own = plain.execute("PRAGMA application_id").fetchone()
            return repr((own, schema, [sorted(map(repr, r)) for r in rows]))
    except (sqlite3.Error, ValueError):
        return None


def _findings(path: Path) -> Sequence[str]:
    try:
        return verify(path).findings
    except FluewrightError as error:
        return [str(error)]


def _is_copied(ledger: Path, target: Path) -> bool:
    try:
        back_up(ledger, target)
    except FluewrightError:
        return False
    return True


def _stumble(words: list[str], ledger: Path) -> str:
    """Run a verb; return what it broke with, empty where it ended as it should."""
    group = [] if words[0] == "trust" else ["ledger"]
    before, sys.argv = sys.argv, ["fluewright", *group, *words, "--ledger", str(ledger)]
    try:
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            main()
    except SystemExit:
        return ""
    except BaseException as error:
        return f"{type(error).__name__}: {str(error)[:80]}"
    finally:
        sys.argv = before
        for one in SIDE_FILES:
            ledger.with_name(ledger.name + one).unlink(missing_ok=True)
    return ""
