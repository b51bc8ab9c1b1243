import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from ledger_samples import CUT, TRIAL, begin

from fluewright.ledger import Instrument, Ledger, open_ledger


@pytest.fixture(scope="session")
def blank(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new ledger, made once; copying it is faster than making it."""
    path = tmp_path_factory.mktemp("blank") / "blank.ledger"
    open_ledger(path).close()
    return path


@pytest.fixture
def path(tmp_path: Path, blank: Path) -> Path:
    return Path(shutil.copyfile(blank, tmp_path / "shop.ledger"))


@pytest.fixture
def ledger(path: Path) -> Iterator[Ledger]:
    with open_ledger(path, person="bench 1") as opened:
        yield opened


@pytest.fixture
def piece(ledger: Ledger) -> Instrument:
    return begin(ledger)


@pytest.fixture
def trial_said() -> dict:
    return dict(TRIAL)


@pytest.fixture
def cut_said() -> dict:
    return dict(CUT)
