"""How far is the program's model from the solved instruments? One row a fingering and mode, in cents.

Nothing is fitted to these instruments: the window comes from the window study, the holes' formulas from the literature
and the hole study. Air and walls are lossless, radiation is on; c = 343.5 m/s. Closed holes are flat caps on the body's
cylinder (`closed_caps` of every case).

    python compare.py [--published] [--uncoupled] [--write FILE]

runs in the program's own environment.
"""

import argparse
import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from fluewright.acoustics.inside import with_fingering
from fluewright.acoustics.kernels import network as kernel
from fluewright.acoustics.network import PUBLISHED, Rules, build_network
from fluewright.acoustics.resonance import resonances_by_mode
from fluewright.air import moist_air
from fluewright.instrument.files import read_model

HERE = Path(__file__).parent
C = 343.5
AIR = replace(moist_air(20.0), density=1.2, sound_speed=C)
ORDER_WEIGHT = 0.4
"""Share of the step from order 2 to 3 added to order 3: the finer meshes ask for 0.4."""


def modelled(name, fingering, caps, rules):
    """Return the first two resonances of one fingering by the program, Hz."""
    network = with_fingering(
        build_network(read_model(HERE / "models" / f"{name}.toml"), air=AIR, rules=rules), fingering
    )
    network.sizes[kernel.BULGE] = np.mean([c["equivalent_finger_bulge"] for c in caps]) if caps else 0.0
    return resonances_by_mode(network, 2)[0][1]


def best(case, mode):
    """Return the frequency of one mode, extrapolated from orders 2 and 3, and its quality."""
    rows = {m["order"]: m for m in case["modes"] if m["mode"] == mode}
    two, three = (rows[order]["frequency_hz_at_c_343_5"] for order in (2, 3))
    return three + ORDER_WEIGHT * (three - two), rows[3]["quality"]


def rows_of(rules):
    found = []
    for path in sorted((HERE / "cases").glob("*.json")):
        case = json.loads(path.read_text())
        if case["status"] != "solved" or path.stem.endswith("_fine"):
            continue
        by_mode = modelled(case["instrument"], case["fingering"], case["closed_caps"], rules)
        for mode in (1, 2):
            true, quality = best(case, mode)
            found.append((case["instrument"], case["fingering"], mode, true, quality, by_mode[mode - 1]))
    return found


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--published", action="store_true")
    parser.add_argument("--uncoupled", action="store_true")
    given = parser.parse_args()
    rules = PUBLISHED if given.published else Rules(coupled=not given.uncoupled)
    rules = Rules(**{**rules.__dict__, "lossy": False})
    off = []
    for name, fingering, mode, true, quality, model in rows_of(rules):
        off.append(1200 * np.log2(model / true))
        print(f"{name:15s} {fingering:12s} {mode}  {true:9.2f} Q {quality:6.0f}  model {model:9.2f}  {off[-1]:+6.2f}")
    off = np.array(off)
    print(
        f"{off.size} modes: rms {np.sqrt(np.mean(off**2)):.2f}, mean {off.mean():+.2f}, worst {np.abs(off).max():.2f}"
    )


if __name__ == "__main__":
    main()
