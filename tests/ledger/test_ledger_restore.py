import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from ledger_samples import begin

from attack.fault_layer import faulty_environment
from fluewright.errors import LedgerError
from fluewright.ledger import Ledger, LedgerTrouble, TroubleKind, back_up, open_ledger, restore, verify
from fluewright.ledger.end_mark import end_mark_path, kept_end
from fluewright.ledger.restore import finish_restore

NAMES = ("shop.ledger", "shop.ledger-wal", "shop.ledger.end")


@pytest.fixture
def copy(ledger: Ledger, tmp_path: Path) -> Path:
    """A copy with the piece as begun; the ledger has gone on by one event, which stands in its log."""
    begin(ledger)
    back_up(ledger.path, tmp_path / "copy.ledger")
    ledger.log_measurement("D5-0001", as_built={"wall_mm": 2.0})
    return tmp_path / "copy.ledger"


@pytest.fixture
def left(ledger: Ledger, copy: Path, tmp_path: Path) -> Path:
    """The ledger as a killed program leaves it, its log beside it."""
    folder = tmp_path / "left"
    folder.mkdir()
    for name in NAMES:
        shutil.copyfile(ledger.path.with_name(name), folder / name)
    assert (folder / "shop.ledger-wal").stat().st_size > 0
    return folder / "shop.ledger"


def test_a_copy_takes_the_place_of_a_ledger_with_its_log_left_beside(left: Path, copy: Path) -> None:
    before = {name: left.with_name(name).read_bytes() for name in NAMES}
    report = restore(left, copy)
    assert report.verified.findings == ()
    assert report.verified.events == 2
    assert report.aside is not None
    assert report.aside.stat().st_mode & 0o777 == 0o700
    assert (report.aside / NAMES[2]).read_bytes() == before[NAMES[2]]
    assert verify(report.aside / "shop.ledger").events == 3
    assert kept_end(left) == (2, report.verified.last_event_sha256)
    with open_ledger(left) as book:
        assert "wall_mm" not in book.as_built("D5-0001")
        book.log_measurement("D5-0001", as_built={"wall_mm": 3.0})
    assert verify(left).clean


@pytest.mark.parametrize("damage", [b"", b"no database" * 500, None])
def test_a_lost_or_damaged_ledger_is_replaced_and_kept(left: Path, copy: Path, damage: bytes | None) -> None:
    if damage is None:
        left.unlink()
    else:
        left.write_bytes(damage)
    report = restore(left, copy)
    assert report.verified.clean
    assert report.aside is not None
    if damage is not None:
        assert (report.aside / "shop.ledger").read_bytes() == damage


def test_a_copy_that_is_not_whole_leaves_the_ledger_alone(left: Path, copy: Path) -> None:
    content = bytearray(copy.read_bytes())
    at = content.index(b"plum wood")
    content[at] ^= 1
    copy.write_bytes(content)
    before = sorted(one.name for one in left.parent.iterdir())
    with pytest.raises(LedgerTrouble, match="not whole"):
        restore(left, copy)
    assert sorted(one.name for one in left.parent.iterdir() if not one.name.endswith("-shm")) == before
    assert verify(left).events == 3


def test_a_ledger_that_is_open_elsewhere_is_left_alone(ledger: Ledger, copy: Path) -> None:
    with pytest.raises(LedgerTrouble, match="is open in another program") as told:
        restore(ledger.path, copy)
    assert told.value.kind is TroubleKind.LOCKED
    assert ledger.as_built("D5-0001")["wall_mm"] == 2.0


def test_a_ledger_behind_its_mark_may_be_kept_as_it_is(left: Path) -> None:
    """Where no better copy is left, the ledger itself is what is restored."""
    left.with_name("shop.ledger-wal").unlink()
    assert not verify(left).clean
    assert restore(left, left).verified.clean
    with open_ledger(left) as book:
        assert book.refusal is None


def test_a_link_is_not_restored_through(left: Path, copy: Path, tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(left)
    with pytest.raises(LedgerError, match="is a link"):
        restore(tmp_path / "link", copy)


PROGRAM = "import sys; from fluewright.ledger import restore; restore(sys.argv[1], sys.argv[2])"


def killed_at(number: int, ledger: Path, copy: Path) -> bool:
    """Restore in a program that is killed before its nth change of a file; return whether it was."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, ledger, copy], env=faulty_environment(ledger.parent, kill=number), timeout=300
    )
    return done.returncode != 0


def test_nothing_is_lost_wherever_it_is_killed(left: Path, copy: Path, tmp_path: Path) -> None:
    events, number, kills = set(), 1, 0
    while True:
        folder = tmp_path / f"kill-{number}"
        shutil.copytree(left.parent, folder)
        shutil.copyfile(copy, folder / "copy")
        ledger = folder / "shop.ledger"
        killed = killed_at(number, ledger, folder / "copy")
        with open_ledger(ledger) as book:
            newest = book.newest_event()[0]
        assert verify(ledger).findings == (), number
        events.add(newest)
        if newest == 2:
            (aside,) = folder.glob("shop-before-restore-*")
            assert verify(aside / "shop.ledger").events == 3, number
        if not killed:
            break
        kills, number = kills + 1, number + max(number // 6, 1)
    assert kills > 8
    assert events == {2, 3}, "before the decision the ledger is as it was, after it the copy"


def test_two_programs_may_finish_one_restoration(left: Path, copy: Path) -> None:
    shutil.copyfile(copy, left.with_name(".shop.ledger.restored"))
    finish_restore(left)
    finish_restore(left)
    assert verify(left).events == 2
    assert not os.path.lexists(left.with_name("shop.ledger-wal"))
    assert kept_end(left) is not None
    assert end_mark_path(left).exists()


def test_a_restoration_stopped_half_way_is_not_looked_past(left: Path, copy: Path, tmp_path: Path) -> None:
    shutil.copyfile(copy, left.with_name(".shop.ledger.restored"))
    for look in (lambda: verify(left), lambda: back_up(left, tmp_path / "of-it")):
        with pytest.raises(LedgerTrouble, match="stopped half way: open it once"):
            look()
    open_ledger(left).close()
    assert verify(left).events == 2
