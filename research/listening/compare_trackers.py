"""What a general audio library's pitch trackers say of the sampled scales in tests/listening.

Run in an environment of its own, with the packages of tests/listening/sampled_flutes.py installed:

    python compare_trackers.py ../../tests/listening/sampled_flutes.json

Both trackers of librosa are asked: YIN (de Cheveigne and Kawahara 2002), over the whole scale and its range, and its
probabilistic successor pYIN (Mauch and Dixon 2014) with a grid of 2 cents. The time of pYIN grows with the square of
the pitches on its grid, so it is asked note by note, within four semitones of the score. Of each note the median is
kept, from 50 ms after its start in sound to 30 ms before its end in the score.
"""

import hashlib
import json
import subprocess
import sys
from pathlib import Path

import librosa
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "tests" / "listening"))

from sampled_flutes import FONT, HELD_S, PRESETS, RATE_HZ, keys_of, need_synthesiser, render_scale, true_onsets

LOWEST_HZ, HIGHEST_HZ = 400.0, 2800.0
HOP = 256
FRAMES = {"sr": RATE_HZ, "frame_length": 2048, "hop_length": HOP}


def middle_hz(track, first_s, onset_s, end_s):
    """Return the median of a track that begins at `first_s` over one note in Hz, rounded to a thousandth."""
    times_s = first_s + np.arange(len(track)) * HOP / RATE_HZ
    return round(float(np.nanmedian(track[(times_s > onset_s + 0.05) & (times_s < end_s - 0.03)])), 3)


def yin_hz(scale, onsets_s):
    """Return the pitch of every note by YIN over the whole scale."""
    track = librosa.yin(scale.whole, fmin=LOWEST_HZ, fmax=HIGHEST_HZ, **FRAMES)
    return [middle_hz(track, 0.0, onset_s, end_s) for onset_s, end_s in zip(onsets_s, scale.ends_s, strict=True)]


def pyin_hz(scale, onsets_s):
    """Return the pitch of every note by pYIN near its pitch in the score."""
    found = []
    for onset_s, end_s, score_hz in zip(onsets_s, scale.ends_s, scale.score_hz, strict=True):
        first = round(onset_s * RATE_HZ)
        piece = scale.whole[first : round(end_s * RATE_HZ)]
        low_hz, high_hz = score_hz * 2 ** (-4 / 12), score_hz * 2 ** (4 / 12)
        track, _, _ = librosa.pyin(piece, fmin=low_hz, fmax=high_hz, resolution=0.02, **FRAMES)
        found.append(middle_hz(track, first / RATE_HZ, onset_s, end_s))
    return found


def main():
    need_synthesiser()
    said = {}
    for preset in PRESETS:
        said[preset] = {}
        for held in HELD_S:
            scale = render_scale(preset, held, keys=keys_of(preset))
            onsets_s = true_onsets(scale)
            said[preset][held] = {
                "keys": list(scale.keys),
                "yin_hz": yin_hz(scale, onsets_s),
                "pyin_hz": pyin_hz(scale, onsets_s),
            }
            print(preset, held, flush=True)
    version = subprocess.run(["fluidsynth", "--version"], capture_output=True, text=True, check=True).stdout
    about = {
        "made_by": "research/listening/compare_trackers.py",
        "librosa": librosa.__version__,
        "synthesiser": version.split("\n")[0],
        "font_sha256": hashlib.sha256(FONT.read_bytes()).hexdigest(),
        "scales": said,
    }
    Path(sys.argv[1]).write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
