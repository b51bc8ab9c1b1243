import random
import subprocess
import sys
import time
from pathlib import Path

from fluewright.ledger import Measurement, open_ledger, verify

PROGRAM = Path(__file__).with_name("ledger_writer.py")


def start(path: Path, name: str, commits: int) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-W", "error", str(PROGRAM), str(path), name, str(commits)],
        stdout=subprocess.PIPE,
        text=True,
    )


def test_four_programs_commit_at_once_and_nothing_is_lost(tmp_path: Path) -> None:
    """They also race to make the ledger, which does not exist yet."""
    path = tmp_path / "shop.ledger"
    programs = [start(path, f"bench {number}", 50) for number in range(4)]
    said = [program.communicate(timeout=600)[0].splitlines() for program in programs]
    assert [program.returncode for program in programs] == [0] * 4
    serials = [lines[0].split()[1] for lines in said]
    assert sorted(serials) == ["D5-0001", "D5-0002", "D5-0003", "D5-0004"]
    report = verify(path)
    assert report.findings == ()
    assert report.events == 1 + 4 * 51
    with open_ledger(path) as ledger:
        assert [model.version for model in ledger.models()] == [1]
        for number, (serial, lines) in enumerate(zip(serials, said, strict=True)):
            measured = [event for event in ledger.history(serial) if isinstance(event, Measurement)]
            assert [event.remarks for event in measured] == [f"bench {number} {step}" for step in range(50)]
            assert [f"{event.event_id} {event.sha256}" for event in measured] == lines[1:]


def test_a_program_killed_at_any_moment_loses_nothing_that_it_acknowledged(tmp_path: Path) -> None:
    path = tmp_path / "shop.ledger"
    moments = random.Random(5)
    acknowledged: dict[int, str] = {}
    for round_number in range(3):
        with start(path, f"round {round_number}", 1_000_000) as program:
            assert program.stdout is not None
            assert program.stdout.readline().startswith("ready")
            time.sleep(moments.uniform(0.0, 0.25))
            program.kill()
            for line in program.stdout:
                if line.endswith("\n"):
                    number, sha256 = line.split()
                    acknowledged[int(number)] = sha256
        assert program.returncode != 0
        report = verify(path)
        assert report.findings == ()
    assert acknowledged
    with open_ledger(path) as ledger:
        kept = {
            event.event_id: event.sha256 for piece in ledger.instruments() for event in ledger.history(piece.serial)
        }
        assert acknowledged.items() <= kept.items()
