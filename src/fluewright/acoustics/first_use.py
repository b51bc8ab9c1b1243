"""Has every kernel compiled before somebody waits for it."""

import contextlib

from fluewright.acoustics.kernel_cache import kernel_folder
from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import predict_notes
from fluewright.acoustics.sounding import at_notes, blow, find_jumps
from fluewright.acoustics.synthesis import note_gesture, sound_of
from fluewright.instrument.starting import load

__all__ = ["compile_kernels"]


def compile_kernels() -> None:
    """Go once through a starting model's notes, breath and sound, unless that was done here before: about a minute."""
    done = kernel_folder() / "all-compiled"
    if done.exists():
        return
    network = build_network(load("d5-cylinder"))
    predict_notes(network)
    blown = find_jumps(blow(at_notes(network, [0]), points=4))
    sound_of(blown, note_gesture(blown, 0, seconds=0.05))
    with contextlib.suppress(OSError):
        done.touch()
