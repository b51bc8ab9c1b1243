"""How much memory a sound file takes to be heard, measured from outside in a process of its own."""

import subprocess
import sys

import numpy as np
import pytest
import soundfile

# All that the program holds while it hears, libraries too.
CHILD = """
import resource, sys
from pathlib import Path
import fluewright.shop.sitting
from fluewright.listening.streams import hear_file
notes = hear_file(Path(sys.argv[1])).hearing.notes
print(len(notes), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


@pytest.mark.parametrize(("rate_hz", "seconds"), [(655_350, 60), (96_000, 300)])
def test_a_fast_or_a_long_file_is_heard_in_less_than_300_mb(tmp_path, rate_hz, seconds):
    """Held whole, 60 s at 655 kHz took 630 MB more."""
    times_s = np.arange(10 * rate_hz) / rate_hz
    notes = 0.2 * np.sin(2 * np.pi * 440.0 * times_s) * (np.sin(np.pi * times_s) > -0.3)
    notes += 1e-3 * np.random.default_rng(1).standard_normal(len(times_s))
    path = tmp_path / "take.flac"
    with soundfile.SoundFile(path, "w", rate_hz, 1, format="FLAC", subtype="PCM_16") as file:
        for _ in range(seconds // 10):
            file.write(notes)
    # A process counts what its parent held when it began: the shell between holds little.
    words = ["sh", "-c", '"$@"; exit $?', "sh", sys.executable, "-c", CHILD, str(path)]
    told = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    count, most = map(int, told.split())
    assert count >= seconds // 3
    assert most / (1024**2 if sys.platform == "darwin" else 1024) < 300
