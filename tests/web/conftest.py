"""A shop with a ledger of one piece, and the app in front of it."""

import numpy as np
import pytest
from starlette.testclient import TestClient
from web_addresses import BASE

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import resonances
from fluewright.demo.sound import play
from fluewright.instrument.files import model_text
from fluewright.instrument.starting import load
from fluewright.ledger import open_ledger
from fluewright.listening import write_recording
from fluewright.shop.pieces import begin_piece
from fluewright.web.app import build_app
from fluewright.web.app_state import AppState


@pytest.fixture
def shop(tmp_path):
    ledger = tmp_path / "shop.ledger"
    with open_ledger(ledger) as book:
        book.add_model("d5-cylinder", model_text(load("d5-cylinder")))
    assert begin_piece(ledger, "d5-cylinder", prefix="D5", sizes={}, material="plum wood", lot="1") == "D5-0001"
    return AppState(ledger, tmp_path / "web", {"127.0.0.1:8123", "localhost:8123"})


@pytest.fixture
def client(shop):
    """Return a browser on this computer: it names us rightly and sends our own origin."""
    with TestClient(build_app(shop), base_url=BASE, headers={"origin": BASE}, follow_redirects=False) as made:
        yield made


@pytest.fixture
def recording(tmp_path):
    """Return a writer of a recording of d5-cylinder, all notes some cents off."""
    network = build_network(load("d5-cylinder"))
    hz = resonances(network).frequencies_hz
    main = [i for i, f in enumerate(network.fingerings) if f.alternative == 0]

    def write(name="take.wav", off=-15.0, seed=1):
        path = tmp_path / name
        sound = play((hz[main] * 2.0 ** (off / 1200.0)).tolist(), note_s=0.5, rng=np.random.default_rng(seed))
        write_recording(path, sound, 44100)
        return path

    return write
