"""What is believed of a piece before it is played: the model's own errors, and how much its pieces differ.

Both are Gaussian over the parameters of `pitch_model`. The first is the same for all pieces of a model and narrows with
every piece (`learning`); the second never goes away: no two heads are alike, and no hand drills twice the same.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from fluewright.acoustics.resonance import STATED_ERRORS, ModelErrors
from fluewright.acoustics.uncertainty import SHOP_TOLERANCES, ShopTolerances, dimension_patterns_cents
from fluewright.arrays import FloatArray
from fluewright.bench.pitch_model import SHARED, PitchModel
from fluewright.errors import InputError

__all__ = ["STATED_BELIEFS", "Beliefs", "Prior", "Scales", "stated_prior"]


@dataclass(frozen=True)
class Scales:
    """Factors on the stated spreads, learned from the shop's own pieces; 1 as stated.

    Attributes
    ----------
    constants : float
        How much pieces of one model differ in window, holes, losses, gains and jet.
    sizes : float
        How much they differ in sizes that were not gauged.
    notes : float
        How much they differ in single notes beside that.
    blowing : float
        Spread of a single note's pitch from one time of playing to the next.
    trials : float
        What all notes of one trial share: temperature and breath.
    """

    constants: float = 1.0
    sizes: float = 1.0
    notes: float = 1.0
    blowing: float = 1.0
    trials: float = 1.0


@dataclass(frozen=True)
class Beliefs:
    """Stated one-sigma spreads; those marked (*) are common practice, no source, and meant to be corrected.

    Attributes
    ----------
    errors : ModelErrors
        The model's errors, one piece against its model.
    shared_in_model : tuple of float
        Share of the variance of window, holes, losses and speed of sound that is the same for all pieces (*).
    gain_in_model, gain_of_piece : float
        Relative error of a cut's computed effect: the model's, and one piece's beside it (*).
    gain_of_cut, gain_of_shaping : float
        Of a single cut on a single note beside them: of holes opened and ends cut off, and of rounding, chamfers,
        undercuts, window and bore, whose formulas are less sure (docs/physics/holes.md#finished-holes) (*).
    jet_in_model, jet_of_piece : float
        Relative error of the blown model's pitch against the resonance (docs/blown.md: its wave speed is uncertain by
        a third), and from head to head (*).
    offset_of_piece_cents : tuple of float
        What is left of a note by piece beside its sizes, register 1 and above (*).
    tolerances : ShopTolerances
        How well sizes that were not gauged are made.
    gauge_mm : float
        Standard uncertainty of a gauged size (*).
    blowing_cents : float
        Of a note about its mean from one time of playing to the next (*).
    temperature_c : float
        Of the air in the bore, common to a trial (*).
    breath : float
        Relative, of the breath against the planned one, common to a trial (*).
    pull_cents : tuple of float
        Pitch per doubling of breath in register 1 and above, where the blown model has none
        (docs/physics/jet.md#measured-flutes: 12 to 53).
    slip_chance, slip_cents : float
        Chance that a note was played wrongly (a leaking finger, a squeak), and how far it then strays (*).
    """

    errors: ModelErrors = STATED_ERRORS
    shared_in_model: tuple[float, float, float, float] = (0.6, 0.7, 0.5, 0.9)
    gain_in_model: float = 0.08
    gain_of_piece: float = 0.04
    gain_of_cut: float = 0.06
    gain_of_shaping: float = 0.25
    jet_in_model: float = 0.7
    jet_of_piece: float = 0.25
    offset_of_piece_cents: tuple[float, float] = (1.0, 2.0)
    tolerances: ShopTolerances = SHOP_TOLERANCES
    gauge_mm: float = 0.02
    blowing_cents: float = 2.0
    temperature_c: float = 0.4
    breath: float = 0.04
    pull_cents: tuple[float, float] = (25.0, 18.0)
    slip_chance: float = 0.03
    slip_cents: float = 40.0

    def __post_init__(self) -> None:
        for name in ("gauge_mm", "blowing_cents", "temperature_c", "breath", "slip_cents"):
            value = getattr(self, name)
            if not 0.0 < value < 1e3:
                raise InputError(f"beliefs: {name} is {value}; give a standard uncertainty over 0")
        if not 0.0 < self.slip_chance < 0.5:
            raise InputError(f"beliefs: slip_chance is {self.slip_chance}; give a chance between 0 and 0.5")


STATED_BELIEFS = Beliefs()


@dataclass(frozen=True)
class Prior:
    """What is believed of the next piece of a model.

    Attributes
    ----------
    mean : array, shape (p,)
        Of the model's own parameters.
    of_model : array, shape (p, p)
        Their covariance.
    constants_of_piece : array, shape (7, 7)
        Covariance of the shared parameters from piece to piece, as stated.
    offsets_of_piece : array, shape (n, n)
        Of what a piece's unknown sizes do not explain, as stated.
    stated_mean, stated : array, shape (p,), (p, p)
        Mean and covariance of the model's own parameters before any piece.
    scales : Scales
    pieces : int
        How many pieces have been learned from.
    beliefs : Beliefs
    """

    mean: FloatArray
    of_model: FloatArray
    constants_of_piece: FloatArray
    offsets_of_piece: FloatArray
    stated_mean: FloatArray
    stated: FloatArray
    scales: Scales = Scales()
    pieces: int = 0
    beliefs: Beliefs = field(default=STATED_BELIEFS)

    def of_piece(self, size_patterns: FloatArray) -> FloatArray:
        """Return the covariance from piece to piece, shape (p, p), with unknown sizes (n, causes) in the offsets."""
        found = np.zeros((self.mean.size, self.mean.size))
        k = len(SHARED)
        scales = self.scales
        found[:k, :k] = scales.constants**2 * self.constants_of_piece
        found[k:, k:] = scales.notes**2 * self.offsets_of_piece
        found[k:, k:] += scales.sizes**2 * (size_patterns @ size_patterns.T)
        return found


def stated_prior(pitch: PitchModel, beliefs: Beliefs = STATED_BELIEFS) -> Prior:
    """Return what is believed of a model that was never made."""
    errors = beliefs.errors
    stated = np.array([errors.window_scale, errors.hole_scale, errors.loss_scale, errors.speed_scale])
    share = np.array(beliefs.shared_in_model)
    register = np.array([min(f.register, 2) - 1 for f in pitch.fingerings])
    rest = np.array(errors.discrepancy_cents)[register]
    of_model = np.concatenate([stated**2 * share, 2 * [beliefs.gain_in_model**2], [beliefs.jet_in_model**2], rest**2])
    of_piece = np.concatenate([stated**2 * (1.0 - share), 2 * [beliefs.gain_of_piece**2], [beliefs.jet_of_piece**2]])
    alone = np.array(beliefs.offset_of_piece_cents)[register]
    mean = np.zeros(of_model.size)
    mean[SHARED.index("jet")] = 1.0
    return Prior(
        mean, np.diag(of_model), np.diag(of_piece), np.diag(alone**2), mean, np.diag(of_model),
        beliefs=beliefs,
    )  # fmt: skip


def size_patterns_cents(pitch: PitchModel, gauged: Mapping[str, float], beliefs: Beliefs) -> FloatArray:
    """Return what one sigma of every unknown or gauged size does to every note, shape (n, causes).

    A gauged size is known to the gauge; the others are as well made as the shop's tolerances say.
    """
    solved = pitch.solve(gauged, sensitivities=True)
    places = [pitch.columns[key] for key in gauged if key in pitch.columns]
    effects = solved.by_dimension_cents.copy()
    known = effects[:, places] * beliefs.gauge_mm
    effects[:, places] = 0.0
    _, made = dimension_patterns_cents(pitch.network, replace(solved, by_dimension_cents=effects), beliefs.tolerances)
    return np.hstack([made, known])
