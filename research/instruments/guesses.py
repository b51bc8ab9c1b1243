"""Near which frequencies does each listed fingering ring? Writes guesses.json from the program's lossless model."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from fluewright.acoustics.network import Rules, air_of, build_network
from fluewright.acoustics.resonance import resonances_by_mode
from fluewright.instrument.files import read_model

__all__ = ["main"]

HERE = Path(__file__).parent
ORDER = ("d5-cylinder", "f4-taper", "c5-thick-wall", "c5-eight-hole")
MORE = ("occ ccc", "ccc occ")
"""For six holes besides the file's own: top hole open and the rest closed, and a fork."""


def main() -> None:
    """Write the frequencies of modes 1 and 2 at c = 343.5 m/s, rigid flat caps, no losses."""
    table = {}
    for name in ORDER:
        model = read_model(HERE / "models" / f"{name}.toml")
        texts = [str(t) for t in model.fingerings["register_1"].values()]
        if len(model.holes) == 6:
            texts += MORE
        low = model.model.lowest_note
        changed = model.model_copy(
            update={
                "fingerings": {"register_1": {low: tuple(dict.fromkeys(texts))}},
                "player": model.player.model_copy(update={"finger_bulge": 0.0}),
            }
        )
        air = replace(air_of(changed), sound_speed=343.5)
        network = build_network(changed, air=air, rules=Rules(lossy=False))
        table[name] = [[text, *(round(float(f), 1) for f in hz)] for text, hz in resonances_by_mode(network, 2)]
    text = json.dumps({"speed_of_sound_m_s": 343.5, "guesses_hz": table}, indent=1)
    (HERE / "guesses.json").write_text(text + "\n")


if __name__ == "__main__":
    main()
