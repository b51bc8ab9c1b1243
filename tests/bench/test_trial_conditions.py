"""What is known of a trial beside its notes counts: the breath that was measured, and how well the air was known."""

from dataclasses import replace

import numpy as np
import pytest

from fluewright.air import moist_air
from fluewright.bench.calibration import PlayedTrial, calibrate, misfit, worth_playing
from fluewright.bench.cuts import next_cut
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.prior import STATED_BELIEFS, Beliefs
from fluewright.bench.scores import ScoredForecast, score
from fluewright.bench.session import advise, air_cents, air_of
from fluewright.instrument.files import validate_model
from fluewright.instrument.starting import load

PITCH = PitchModel.of(load("d5-cylinder"))
FIRST = PITCH.first_register


def heard(cents, **conditions):
    hz = PITCH.network.targets_hz * 2 ** (np.asarray(cents) / 1200)
    return PlayedTrial({}, {i: (float(f), 0.05) for i, f in enumerate(hz)}, **conditions)


def test_where_the_blown_model_is_silent_each_register_has_its_own_pull():
    """A trial at twice the breath, sharp by what `Beliefs` say of its register, is one in tune at the planned one."""
    silent = replace(PITCH, pull_cents=np.full(len(FIRST), np.nan))
    low, high = STATED_BELIEFS.pull_cents
    pull = np.where(FIRST, low, high)
    assert low != high
    planned = calibrate(silent, [heard(np.zeros(len(FIRST)), breath_ratio=1.0)])
    doubled = calibrate(silent, [heard(pull, breath_ratio=2.0)])
    assert doubled.parameters == pytest.approx(planned.parameters, abs=2e-3)
    assert doubled.slips == planned.slips == ()


def test_a_pull_that_was_measured_goes_before_the_models():
    """By a swell of one note: this one is put right by its own pull, the others by the model's."""
    row, own = 2, 80.0
    sharp = np.where(np.arange(len(FIRST)) == row, own, PITCH.pull_cents)
    planned = calibrate(PITCH, [heard(np.zeros(len(FIRST)), breath_ratio=1.0, pull_cents={row: own})])
    doubled = calibrate(PITCH, [heard(sharp, breath_ratio=2.0, pull_cents={row: own})])
    assert doubled.parameters == pytest.approx(planned.parameters, abs=2e-3)


def level_sigma(**trial):
    """Return how unsure the mean pitch of register 1 is after one trial, cents."""
    beliefs = trial.pop("beliefs", STATED_BELIEFS)
    posterior = calibrate(PITCH, [heard(np.zeros(len(FIRST)), **trial)], beliefs=beliefs)
    weight = FIRST / FIRST.sum()
    return float(np.sqrt(weight @ posterior.forecast({})[1] @ weight))


def test_a_thermometer_that_is_unsure_leaves_the_whole_piece_unsure():
    """A kelvin is 3 cents, on all notes of a trial alike; without a word the usual thermometer counts."""
    usual = level_sigma()
    widths = [level_sigma(temperature_sigma_c=c) for c in (0.05, STATED_BELIEFS.temperature_c, 2.0, 5.0)]
    assert widths == sorted(widths)
    assert widths[1] == pytest.approx(usual)
    assert widths[3] > 1.5 * usual
    # Five kelvin are 15 cents, far more than is believed to be open without a trial: its level tells next to nothing.
    level = FIRST / FIRST.sum()
    before = float(np.sqrt(level @ calibrate(PITCH, []).forecast({})[1] @ level))
    assert 0.6 * before < widths[3] < before
    assert widths[1] < 0.4 * before


def test_a_breath_that_was_measured_tells_more_than_one_that_was_not():
    """Where the player's own breath spreads by 30 %, a manometer's few per cent are worth having."""
    wild = Beliefs(breath=0.30)
    assert level_sigma(beliefs=wild, breath_ratio=1.0) < 0.8 * level_sigma(beliefs=wild)
    # A steadier player than the manometer is not made less steady by it.
    steady = Beliefs(breath=0.01)
    assert level_sigma(beliefs=steady, breath_ratio=1.0) == pytest.approx(level_sigma(beliefs=steady))


@pytest.mark.parametrize("row", [1, 4, 6])
@pytest.mark.parametrize("off", [18.0, -18.0])
def test_the_note_that_fits_worst_is_named_with_its_cents(row, off):
    """One note of a trial off from what all others say, kept since slips are ruled out: it is named, and how much."""
    cents = calibrate(PITCH, []).forecast({})[0]
    cents[row] += off
    posterior = calibrate(PITCH, [heard(cents)], beliefs=Beliefs(slip_chance=1e-9))
    spread, worst, by = misfit(posterior)
    assert posterior.slips == ()
    assert worst == row
    assert by == pytest.approx(off, abs=2.0)
    assert spread > 1.2 * misfit(calibrate(PITCH, [heard(cents - off * (np.arange(len(FIRST)) == row))]))[0]


@pytest.mark.parametrize("wide", [{"temperature_c": 3.0}, {"breath": 0.3}])
def test_what_a_trial_shares_counts_against_playing_one_more_note(wide):
    """What is promised of one more note is what that note then brings, be the room or the player never so unsure."""
    beliefs = Beliefs(**wide)
    begun = calibrate(PITCH, [PlayedTrial({}, {0: (float(PITCH.network.targets_hz[0]), 0.05)})], beliefs=beliefs)

    def spread(posterior):
        return float(np.diag(posterior.forecast({})[1])[FIRST].mean())

    ranked = worth_playing(begun, {})
    for row, promised in (ranked[0], ranked[3], ranked[-1]):
        one = PlayedTrial({}, {row: (float(PITCH.network.targets_hz[row]), 0.0)})
        first = PlayedTrial({}, {0: (float(PITCH.network.targets_hz[0]), 0.05)})
        more = calibrate(PITCH, [first, one], beliefs=beliefs)
        assert spread(begun) - spread(more) == pytest.approx(promised, rel=0.1, abs=0.05)


@pytest.mark.parametrize("key", ["length_mm", "holes.4.diameter_mm", "head.window_length_mm"])
def test_a_gauged_size_is_as_sure_as_its_gauge(key):
    """Before any note: surer than a size that only the shop's tolerance holds, by its own effect on every note."""
    size = {key: PITCH.design[key]}

    def variances(gauge_mm, gauged):
        return np.diag(calibrate(PITCH, [], beliefs=Beliefs(gauge_mm=gauge_mm), gauged=gauged).forecast({})[1])

    fine, coarse, blind = variances(0.002, size), variances(0.10, size), variances(0.002, {})
    ahead, back = (PITCH.cents({key: size[key] + step}) for step in (1e-3, -1e-3))
    slope = (ahead - back) / 2e-3
    assert coarse - fine == pytest.approx(slope**2 * (0.10**2 - 0.002**2), rel=0.01, abs=1e-4)
    most = int(np.abs(slope).argmax())
    assert abs(slope[most]) > 1.0
    assert fine[most] < blind[most] - 1e-3
    assert fine.sum() < blind.sum()


def test_a_trials_air_is_the_models_at_the_thermometers_reading():
    """Humidity, carbon dioxide and pressure are the model's; a warmer room makes every note sharper."""
    raw = load("d5-cylinder").model_dump(mode="json")
    raw["conditions"] |= {"relative_humidity": 0.85, "co2_fraction": 0.002, "pressure_pa": 96_000.0}
    model = validate_model(raw)
    state = {"relative_humidity": 0.85, "co2_fraction": 0.002, "pressure_pa": 96_000.0}
    assert air_of(model, 27.0) == moist_air(27.0, **state)
    assert air_of(model, None) is None
    usual = model.conditions.temperature_c
    warmer = 1200.0 * np.log2(moist_air(usual + 4.0, **state).sound_speed / moist_air(usual, **state).sound_speed)
    assert air_cents(model, usual + 4.0) == pytest.approx(warmer)
    assert air_cents(model, usual + 4.0) > 10.0
    assert air_cents(model, usual) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("held", "says"), [(63, "the bands hold"), (55, "the bands hold"), (45, "too narrow")])
def test_bands_are_judged_by_trials_not_by_notes(held, says):
    """Notes of one trial move together: of seventy outcomes about ten count, so 55 of them may be nine in ten."""
    outcomes = [0.3 * (-1) ** i if i < held else 4.0 * (-1) ** i for i in range(70)]
    assert says in score([ScoredForecast("note", 0.0, 1.0, o, 1e-3) for o in outcomes]).verdict


class Note:
    """A heard note."""

    def __init__(self, hz):
        self.frequency_hz, self.frequency_uncertainty_hz = float(hz), 0.05


def test_rounds_are_counted_by_the_sizes_that_were_played():
    """Two trials of a piece as it is are no round; what was played before a cut is one, and spends risk."""
    main = [i for i, f in enumerate(PITCH.fingerings) if f.alternative == 0]
    notes = [Note(f * 2 ** (-14.0 / 1200)) for f in PITCH.network.targets_hz[main]]

    def spent(told):
        return told.verdict.plan[-1].overshoot

    longer = {"length_mm": PITCH.design["length_mm"] + 2.0}
    before_the_cut = PlayedTrial(longer, heard(np.full(len(FIRST), -20.0)).notes)
    twice = advise(PITCH, [notes, notes], as_built={})
    after_a_cut = advise(PITCH, [notes], as_built={}, earlier=[before_the_cut])
    for made, told in ((0, twice), (1, after_a_cut)):
        wanted = next_cut(told.posterior, {}, rounds_made=made)
        assert [c.after_mm for c in told.verdict.plan] == pytest.approx([c.after_mm for c in wanted.plan])
        assert spent(told) == pytest.approx(wanted.plan[-1].overshoot)
    later = next_cut(twice.posterior, {}, rounds_made=1)
    assert later.plan[-1].overshoot < spent(twice)
