"""How each note begins and what its tone is made of: rise, chiff, glide, vibrato, partials, hiss.

Everything is read from the sound round one heard note: its start (`attack`), the noise round its onset (`chiff`) and
the steady part (`steady`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.errors import RecordingError
from fluewright.listening.attack import first_order, measure_start
from fluewright.listening.chiff import follow_noise, measure_chiff
from fluewright.listening.notes import HeardNote
from fluewright.listening.sound import Sound
from fluewright.listening.steady import HARMONICS, measure_steady
from fluewright.listening.vibrato import Vibrato

__all__ = ["NoteTone", "measure_tones"]


_SLURRED_S = 0.015
# By so much a note may end behind the last sample, whose frames reach further.
_BEYOND_S = 0.1


@dataclass(frozen=True)
class NoteTone:
    """Start and tone of one heard note. What cannot be told is not a number.

    Parameters
    ----------
    note : HeardNote
        The note itself.
    slurred : bool
        Whether it follows the note before without a break; rise and chiff are not told then.
    rise_s : float
        Time from 10 % to 90 % of the full amplitude of the harmonics.
    chiff_db : float
        Energy of the burst of noise before and at the onset, beyond the noise that goes with the tone, relative to
        that of 0.1 s of the steady tone. Not a number where no burst stands out.
    chiff_s : float
        How long the burst stays within 6 dB of its top; 0 where there is none.
    glide_cents : float
        Pitch over the first 10 ms of stable phase against the steady pitch; negative when it comes from below.
    settle_s : float
        Time from the onset until the pitch is, and for 30 ms stays, within 10 cents of the steady pitch (and the
        extent of a vibrato).
    first_order : int
        Which partial sounds before the others have their share: 2 to 6 where a higher register speaks before the
        fundamental, else 1.
    first_s : float
        For how long it leads; 0 where none does.
    steadiness_cents, steadiness_db : float
        Standard deviation of pitch and level over stretches of 80 ms, drift and vibrato (of the pitch) left out.
    harmonic_levels_db : tuple of 12 float
        Level of harmonics 1 to 12, less noise; 0 dB is a sine of full scale. Lost ones stand at the level of the
        noise, those above 0.45 of the sample rate are not a number.
    harmonic_to_noise_db : float
        Power of the harmonics against all noise from 354 Hz to 22.6 kHz.
    harmonic_to_noise_bands_db : tuple of 6 float
        The same within each octave of `HISS_BANDS_HZ`, no lower than -10; not a number where no harmonic lies in it.
    hiss_bands_db : tuple of 6 float
        Noise in each octave against the whole tone; not a number where the sample rate does not reach three quarters
        of the octave.
    vibrato : Vibrato or None
        None where the pitch does not swing regularly, or the note is too short to tell.
    inharmonicity_cents : tuple of 12 float
        How far each partial lies from its multiple of the fundamental; positive when sharp. The strongest low partial
        is the measure and lies at 0. A partial more than some 90 Hz away is not found.
    inharmonicity_uncertainty_cents : tuple of 12 float
        Standard uncertainty of each.
    """

    note: HeardNote
    slurred: bool
    rise_s: float
    chiff_db: float
    chiff_s: float
    glide_cents: float
    settle_s: float
    first_order: int
    first_s: float
    steadiness_cents: float
    steadiness_db: float
    harmonic_levels_db: tuple[float, ...]
    harmonic_to_noise_db: float
    harmonic_to_noise_bands_db: tuple[float, ...]
    hiss_bands_db: tuple[float, ...]
    vibrato: Vibrato | None
    inharmonicity_cents: tuple[float, ...]
    inharmonicity_uncertainty_cents: tuple[float, ...]


def measure_tones(sound: Sound, notes: Sequence[HeardNote]) -> tuple[NoteTone, ...]:
    """Measure the start and the tone of every note heard in a sound.

    Parameters
    ----------
    sound : Sound
        At a rate from `thin_out`.
    notes : sequence of HeardNote
        Heard in it, in order of time.

    Returns
    -------
    tuple of NoteTone
        One for each note, in their order.

    Raises
    ------
    RecordingError
        A note lies outside the sound.
    """
    if not notes:
        return ()
    last_s, duration_s = notes[-1].offset_s, len(sound) / sound.rate_hz
    if last_s > duration_s + _BEYOND_S:
        raise RecordingError(
            f"a note ends at {last_s:.2f} s in a recording of {duration_s:.2f} s: it was heard in another"
            " recording. Hear this one first."
        )
    # Single precision is 140 dB deep: enough for all that microphones hear.
    single = Sound(sound.samples.astype(np.float32), sound.rate_hz)
    tones = []
    before_s = -math.inf
    for note in notes:
        tones.append(_tone_of(single, note, before_s))
        before_s = note.offset_s
    return tuple(tones)


def _tone_of(sound: Sound, note: HeardNote, before_s: float) -> NoteTone:
    slurred = note.onset_s - before_s < _SLURRED_S
    steady = measure_steady(sound, note)
    noise = follow_noise(sound, note, before_s)
    start = measure_start(
        sound,
        note,
        noise_times_s=noise.times_s,
        noise_density=noise.density,
        lead=steady.lead,
        vibrato=steady.vibrato,
        before_s=before_s,
        slurred=slurred,
    )
    chiff_db, chiff_s, order, first_s = math.nan, math.nan, 1, 0.0
    if not slurred:
        order, first_s = first_order(start)
        chiff_db, chiff_s = measure_chiff(
            noise, start, onset_s=note.onset_s, tone_power=steady.power, noise_power=steady.noise_power
        )
    return NoteTone(
        note=note,
        slurred=slurred,
        rise_s=math.nan if slurred else start.rise_s,
        chiff_db=chiff_db,
        chiff_s=chiff_s,
        glide_cents=start.glide_cents,
        settle_s=start.settle_s,
        first_order=order,
        first_s=first_s,
        steadiness_cents=steady.steadiness_cents,
        steadiness_db=steady.steadiness_db,
        harmonic_levels_db=_padded(steady.levels_db),
        harmonic_to_noise_db=steady.harmonic_to_noise_db,
        harmonic_to_noise_bands_db=steady.harmonic_to_noise_bands_db,
        hiss_bands_db=steady.hiss_bands_db,
        vibrato=steady.vibrato,
        inharmonicity_cents=_padded(steady.inharmonicity_cents),
        inharmonicity_uncertainty_cents=_padded(steady.inharmonicity_uncertainty_cents),
    )


def _padded(values: FloatArray) -> tuple[float, ...]:
    return (*values.tolist(), *([math.nan] * (HARMONICS - len(values))))
