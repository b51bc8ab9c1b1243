"""A small shop: a ledger with d5-cylinder and one piece of it, and takes of that piece without any sound."""

import hashlib
import shutil
from pathlib import Path

import numpy as np
import pytest

from fluewright.bench.pitch_model import PitchModel
from fluewright.demo.sound import DrawnNote
from fluewright.instrument.starting import load
from fluewright.ledger import open_ledger
from fluewright.shop.models import save_version
from fluewright.shop.pieces import begin_piece
from fluewright.shop.sitting import Take, sit_down


@pytest.fixture(scope="session")
def model():
    return load("d5-cylinder")


@pytest.fixture(scope="session")
def pitch(model):
    return PitchModel.of(model)


@pytest.fixture(scope="session")
def _begun(tmp_path_factory, model):
    path = tmp_path_factory.mktemp("shop") / "shop.ledger"
    save_version(path, model)
    begin_piece(path, "d5-cylinder", prefix="D5", material="plum wood", lot="7")
    return path


@pytest.fixture
def ledger(_begun, tmp_path):
    return Path(shutil.copy(_begun, tmp_path / "shop.ledger"))


@pytest.fixture(scope="session")
def _sitting(_begun):
    return sit_down(_begun, "D5-0001")


@pytest.fixture
def known(ledger, _sitting):
    """Return a sitting with the piece; the model is taken over from the first one, which saves building it."""
    return sit_down(ledger, "D5-0001", known=_sitting)


@pytest.fixture
def take_of(pitch):
    """Return a maker of takes: every main note once, `off` cents from the design's blown pitch, some of them more."""
    expected = pitch.network.targets_hz * 2.0 ** (pitch.cents({}) / 1200.0)

    def make(off=-15.0, *, name="take", odd=None, only=None, sizes=None):
        hz = expected if sizes is None else pitch.network.targets_hz * 2.0 ** (pitch.cents(sizes) / 1200.0)
        notes = []
        for i, f in enumerate(pitch.fingerings):
            if f.alternative or (only is not None and f.note not in only):
                continue
            cents = off + (odd or {}).get(f.note, 0.0)
            value = float(hz[i] * 2.0 ** (cents / 1200.0))
            notes.append(DrawnNote(value, value * 2e-4))
        digest = hashlib.sha256(f"{name} {off} {odd} {only}".encode()).hexdigest()
        return Take(name, digest, tuple(notes))

    return make


@pytest.fixture
def events(ledger):
    """Return a reader of the events of a piece."""

    def read(serial="D5-0001"):
        with open_ledger(ledger) as book:
            return book.history(serial)

    return read


@pytest.fixture
def rng():
    return np.random.default_rng(1)
