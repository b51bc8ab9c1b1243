"""One small instrument in all that the public face gives, made once."""

import numpy as np
import pytest

import fluewright as fw
from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import resonances
from fluewright.acoustics.synthesis import note_gesture, sound_of, swell_gesture
from fluewright.demo.sound import play
from fluewright.listening import write_recording


@pytest.fixture(scope="session")
def model():
    return fw.load("d5-cylinder")


@pytest.fixture(scope="session")
def blown(model):
    return fw.blow(model)


@pytest.fixture(scope="session")
def predicted(model):
    return fw.predict(model)


@pytest.fixture(scope="session")
def fitted(model):
    return fw.fit(fw.change(model, {"length_mm": 268.0}), blown=False)


@pytest.fixture(scope="session")
def sound(model, blown):
    gesture = note_gesture(blown.blown, 0, seconds=0.2)
    return fw.PlayedSound(model=model, notes=("D5",), sound=sound_of(blown.blown, gesture))


@pytest.fixture(scope="session")
def take(model, tmp_path_factory):
    """A recording of a piece of the model, every note 15 cents flat."""
    network = build_network(model)
    hz = resonances(network).frequencies_hz
    main = [i for i, f in enumerate(network.fingerings) if f.alternative == 0]
    path = tmp_path_factory.mktemp("takes") / "take.wav"
    flat = (hz[main] * 2.0 ** (-15.0 / 1200.0)).tolist()
    write_recording(path, play(flat, note_s=0.5, rng=np.random.default_rng(1)), 44100)
    return path


@pytest.fixture(scope="session")
def heard(take, model):
    return fw.listen(take, model=model, tone=True)


@pytest.fixture(scope="session")
def swell(blown, tmp_path_factory):
    """A slow swell on the lowest note over its jump and back, heard with the breath beside it."""
    low = blown.note("D5")
    gesture = swell_gesture(0, 1.05 * low.lowest_pa, 1.4 * low.highest_pa, seconds=8.0)
    sound = sound_of(blown.blown, gesture)
    folder = tmp_path_factory.mktemp("swells")
    write_recording(folder / "swell.wav", sound.samples(), sound.rate_hz)
    log = [f"{i / sound.rate_hz:.3f},{sound.breath_pa[i]:.2f}" for i in range(0, len(sound.breath_pa), 1200)]
    (folder / "breath.csv").write_text("\n".join(["time,pa", *log]))
    return fw.listen(folder / "swell.wav", model=blown.model, breath_log=folder / "breath.csv")


@pytest.fixture(scope="session")
def advice(model, take):
    return fw.advise(model, take)


@pytest.fixture(scope="session")
def shop(model, take, tmp_path_factory):
    """A ledger with one piece that was played and then cut once, and one that was only begun."""
    shop = fw.open_ledger(tmp_path_factory.mktemp("shop") / "shop.ledger")
    shop.save_model(model)
    assert shop.begin_piece("d5-cylinder", prefix="D5", material="plum wood") == "D5-0001"
    assert shop.begin_piece("d5-cylinder", prefix="D5") == "D5-0002"
    shop.log_trial("D5-0001", take)
    shop.record_cut("D5-0001", "length_mm", before_mm=264.43, after_mm=263.9, tool="file", reason="D5 flat")
    return shop


@pytest.fixture(scope="session")
def results(model, predicted, blown, fitted, heard, swell, advice, shop):
    """Everything that holds a table, by a name for messages."""
    return {
        "models": fw.models(), "sizes": fw.sizes(model), "predicted": predicted, "effects": fw.sensitivity(model),
        "blown": blown, "octaves": blown.octaves(), "curve": blown.curve("D6", 2), "fitted": fitted,
        "fitted notes": fitted.notes(), "heard": heard, "harmonics": heard.harmonics(),
        "tones": heard.tones(), "registers": swell.registers(), "jumps": swell.jumps(), "advice": advice,
        "cuts": advice.cuts(), "pieces": shop.pieces(), "ledger's models": shop.models(),
        "history": shop.history("D5-0001"), "forecasts": shop.forecasts(), "piece": shop.sit_down("D5-0001"),
        "new piece": shop.sit_down("D5-0002"), "left cuts": shop.sit_down("D5-0001").cuts(),
    }  # fmt: skip
