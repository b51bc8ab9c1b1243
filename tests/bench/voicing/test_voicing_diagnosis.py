"""Evaluations, causes, symptoms and advice on d5-cylinder."""

import math
import time

import numpy as np
import pytest

from fluewright.acoustics.jet import JetSettings
from fluewright.acoustics.network import build_network
from fluewright.acoustics.sounding import at_notes, blow, find_jumps
from fluewright.bench.voicing import evaluations
from fluewright.bench.voicing.advice import STEPS, advise, check_forecast, step_of
from fluewright.bench.voicing.causes import diagnose
from fluewright.bench.voicing.evaluations import MODELLED, changed, evaluate
from fluewright.bench.voicing.reference import curve_along, expect
from fluewright.bench.voicing.symptoms import SymptomSettings, find_symptoms, read_symptom_settings
from fluewright.bench.voicing.trial import HeadTrial, NoteTrial, Reading
from fluewright.errors import InputError


def test_an_evaluation_is_the_blown_model(shop):
    """The kept quantities are those of `sounding`, at the planned breath and beside it."""
    network = at_notes(build_network(shop.model), shop.rows)
    blown = find_jumps(blow(network, points=20))
    values = shop.evaluations.base.at(np.ones(5))
    for i, note in enumerate(blown.notes):
        row = dict(zip(MODELLED, values[i], strict=True))
        assert math.exp(row["lowest_pa"]) == pytest.approx(note.onset_pa if note.register == 1 else note.lowest_pa)
        assert row["cents"] == pytest.approx(note.planned_cents, abs=0.2)
        assert row["level_db"] == pytest.approx(note.level_db_at(note.planned_pa), abs=0.05)
        # Between two breaths of the law's grid one reads along ln P, the other along P.
        assert math.exp(row["air_l_per_min"]) == pytest.approx(note.flow_l_per_min, rel=3e-3)
        # An exponential start takes ln 9 over its growth from a tenth to nine tenths.
        assert math.exp(row["rise_s"]) == pytest.approx(math.log(9.0) / note.growth_per_s, rel=0.03)
    beside = shop.evaluations.base.at(np.full(5, 1.15))
    for i, note in enumerate(blown.notes):
        hz = note.frequency_at(1.15 * note.planned_pa)
        assert beside[i, MODELLED.index("cents")] == pytest.approx(1200 * math.log2(hz / note.target_hz), abs=0.3)


def test_a_damaged_cache_is_not_trusted(shop, tmp_path):
    """What a crash cut short, or what was kept for other notes, is computed again."""
    points = [shop.evaluations.base, *shop.evaluations.waves]
    path = tmp_path / "kept" / "voicing.npz"
    evaluations._write(path, points)
    back = evaluations._read(path, len(points), 5)
    assert back is not None
    np.testing.assert_array_equal(back[1].moving, points[1].moving)
    assert evaluations._read(path, len(points), 4) is None
    for count in (0, 50, 200, path.stat().st_size - 30):
        cut = tmp_path / f"cut{count}.npz"
        cut.write_bytes(path.read_bytes()[:count])
        assert evaluations._read(cut, len(points), 5) is None
    assert evaluations._read(tmp_path / "none.npz", len(points), 5) is None


def test_a_leak_is_a_small_open_hole(shop):
    """A pinhole sharpens every note, the more the larger it is, and a closed one changes nothing."""
    planned = shop.evaluations.planned_pa
    pitch = MODELLED.index("cents")
    base, small, large = (
        evaluate(changed(shop.model, {"leak 50": area}), shop.rows, JetSettings(), planned).at(np.ones(5))[:, pitch]
        for area in (0.0, 0.2, 0.6)
    )
    np.testing.assert_allclose(base, shop.evaluations.base.at(np.ones(5))[:, pitch], atol=1e-9)
    assert (small > base).all()
    assert (large > small).all()


def test_curves_pass_through_their_evaluations(shop, head):
    expected = expect(shop.evaluations, head())
    sizes, points = shop.evaluations.axes["window-long"]
    change, known = curve_along(shop.evaluations, expected, "window-long", sizes)
    wanted = np.stack([expected.pick(p) for p in points]) - expected.pick(points[0])
    np.testing.assert_allclose(np.where(known, change, 0), np.where(known & np.isfinite(wanted), wanted, 0), atol=1e-9)


def test_a_faultless_head_reads_as_expected(shop, heads, head):
    """Readings of heads within tolerance spread about what is expected no more than the covariance says."""
    off = []
    for seed in range(4):
        expected = expect(shop.evaluations, head(seed=100 + seed), [head(seed=200 + seed)])
        rest = np.linalg.solve(np.linalg.cholesky(expected.covariance), expected.read - expected.mean)
        off.append(np.mean(rest**2))
    assert 0.3 < np.mean(off) < 1.3


@pytest.mark.parametrize(
    ("fault", "changes"),
    [
        ("windway-high", {"head.windway.exit_height_mm": 0.12, "head.windway.entry_height_mm": 0.12,
                          "head.edge_offset_mm": 0.06}),
        ("edge-low", {"head.edge_offset_mm": -0.2}),
        ("window-long", {"head.window_length_mm": 0.5}),
        ("block-short", {"head.block_depth_mm": -1.2}),
        ("leak", {"leak 50": 0.5}),
    ],
)  # fmt: skip
def test_the_cause_is_named_and_sized(shop, head, fault, changes):
    diagnosis = diagnose(shop.evaluations, head(changes), shop.causes, references=[head(seed=2)])
    first = diagnosis.causes[0]
    assert first.cause.key == fault
    assert first.probability > 0.5
    size = abs(next(iter(changes.values())))
    assert abs(first.size - size) < 3.0 * first.sigma + 0.02 * size
    total = sum(c.probability for c in diagnosis.causes) + diagnosis.faultless
    assert total == pytest.approx(1.0)


def test_a_good_head_makes_a_small_fault_plainer(shop, head):
    changes = {"head.window_length_mm": 0.25}
    alone = diagnose(shop.evaluations, head(changes), shop.causes)
    beside = diagnose(shop.evaluations, head(changes), shop.causes, references=[head(seed=2)])
    chance = {c.cause.key: c.probability for c in alone.causes}["window-long"]
    assert {c.cause.key: c.probability for c in beside.causes}["window-long"] > chance
    same = diagnose(shop.evaluations, head(changes), shop.causes, references=[head(seed=2), head(seed=3)])
    widths = [np.sqrt(np.diag(d.expected.covariance)).sum() for d in (alone, beside, same)]
    assert widths[0] > widths[1] > widths[2]


def test_a_reference_body_is_shared(shop, head):
    """On the same body the body's errors cancel: pitch is expected more sharply than on another one."""
    trial, good = head(), head(seed=2)
    on = [HeadTrial(t.notes, body="bench body") for t in (trial, good)]
    pitch = [i for i, k in enumerate(expect(shop.evaluations, trial).keys) if k[2] == "cents"]
    apart = expect(shop.evaluations, trial, [good]).covariance
    same = expect(shop.evaluations, on[0], [on[1]]).covariance
    assert (np.diag(same)[pitch] < 0.8 * np.diag(apart)[pitch]).all()


def test_what_was_looked_at_is_excluded(shop, head):
    trial = head({"leak 50": 0.3})
    before = {c.cause.key: c.probability for c in diagnose(shop.evaluations, trial, shop.causes).causes}["leak"]
    after = diagnose(shop.evaluations, trial, shop.causes, excluded=["leak"])
    assert {c.cause.key: c.probability for c in after.causes}["leak"] <= before


def test_few_readings_say_little(shop):
    """One reading leaves most causes open; none that the model computes is refused."""
    one = HeadTrial((NoteTrial("D5", 1, {"lowest_pa": Reading(70.0, 3.0)}),))
    assert max(c.probability for c in diagnose(shop.evaluations, one, shop.causes).causes) < 0.5
    none = HeadTrial((NoteTrial("D5", 1, {"chiff_db": Reading(-10.0, 1.0)}),))
    with pytest.raises(InputError, match="holds nothing that the model computes"):
        diagnose(shop.evaluations, none, shop.causes)


def test_two_faults_at_once_are_told(shop, head):
    changes = {"leak 50": 0.6, "head.edge_offset_mm": -0.24, "head.window_length_mm": -0.6}
    diagnosis = diagnose(shop.evaluations, head(changes), shop.causes, references=[head(seed=2)])
    assert any("no single cause" in w for w in diagnosis.warnings)


def test_symptoms_follow_their_limits(shop):
    readings = {"comfortable_pa": Reading(150.0, 3.0), "jump_pa": Reading(190.0, 5.0), "chiff_db": Reading(4.0, 1.0)}
    trial = HeadTrial((NoteTrial("D5", 1, readings),))
    expected = expect(shop.evaluations, trial)
    found = {s.symptom.key: s for s in find_symptoms(expected, trial)}
    jump = found["low-notes-jump"]
    assert jump.value == pytest.approx(190 / 150)
    assert jump.limit == pytest.approx(1.5)
    assert jump.probability > 0.99
    assert found["chiff"].probability > 0.99
    mild = {s.symptom.key: s for s in find_symptoms(expected, trial, SymptomSettings(low_jump_ratio=1.15))}
    assert mild["low-notes-jump"].probability < 0.1


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("low_jump_ratio = 1.5\n", "first line must be format"),
        ('format = "fluewright-symptoms/1"\nhis_db = 3\n', "there is no limit 'his_db'; use low_jump_ratio"),
        ('format = "fluewright-symptoms/1"\nhiss_db = 300\n', "hiss_db is 300, outside 0.2 to 40"),
        ('format = "fluewright-symptoms/1"\nhiss_db = "3"\n', "hiss_db is '3'"),
        ("format = \n", "is not valid TOML"),
    ],
)
def test_limits_that_cannot_be(tmp_path, text, says):
    path = tmp_path / "limits.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=says):
        read_symptom_settings(path)


def test_limits_are_read(tmp_path):
    path = tmp_path / "limits.toml"
    path.write_text('format = "fluewright-symptoms/1"\nhiss_db = 5.0\n')
    assert read_symptom_settings(path) == SymptomSettings(hiss_db=5.0)


@pytest.mark.parametrize(
    ("changes", "wanted"),
    [
        ({"leak 50": 0.5}, {"seal-leak"}),
        ({"head.windway.exit_height_mm": 0.12, "head.windway.entry_height_mm": 0.12, "head.edge_offset_mm": 0.06},
         {"windway-lower"}),
        ({"head.edge_offset_mm": -0.22}, {"windway-higher", "edge-outward"}),
        ({"head.block_depth_mm": -1.2}, {"block-forward"}),
    ],
)  # fmt: skip
def test_the_first_advice_takes_the_fault_back(shop, head, changes, wanted):
    diagnosis = diagnose(shop.evaluations, head(changes), shop.causes, references=[head(seed=2)])
    advice = advise(diagnosis, find_symptoms(diagnosis.expected, head(changes)))
    assert advice[0].step.key in wanted
    assert advice[0].gain > 0.1
    assert [a.rank for a in advice] == sorted((a.rank for a in advice), reverse=True)


def test_a_reversible_step_goes_before_an_equal_cut(shop, head):
    diagnosis = diagnose(shop.evaluations, head({"head.block_depth_mm": -1.2}), shop.causes, references=[head(seed=2)])
    for a in advise(diagnosis, ()):
        assert a.rank <= a.gain * (1.0 if a.step.adjustment.reversible else 0.5) + 1e-12
        if not a.step.adjustment.reversible:
            assert a.steps == 1


def test_forecasts_hold_on_the_changed_head(shop, heads, head):
    """The step is made on the true head: its readings move as forecast, within three sigmas in nine of ten."""
    changes = {"head.window_length_mm": 0.45}
    trial = head(changes)
    diagnosis = diagnose(shop.evaluations, trial, shop.causes, references=[head(seed=2)])
    for key in ("block-forward", "windway-lower", "new-block-more-chamfer"):
        (advice,) = (a for a in advise(diagnosis, (), steps={key: 2.0}) if a.step.key == key)
        after = {k: 2.0 * v for k, v in step_of(key).adjustment.steps}
        rng_changes = heads._sum(changes, after)
        checked = check_forecast(advice.forecasts, trial, head(rng_changes))
        assert len(checked) > 20
        assert np.mean([abs(c.sigmas) < 3.0 for c in checked]) >= 0.9


def test_the_catalogue_is_whole():
    assert len({s.key for s in STEPS}) == len(STEPS)
    with pytest.raises(InputError, match="adjustment 'saw-off' is not known; use one of seal-leak"):
        step_of("saw-off")


def test_a_diagnosis_with_advice_takes_under_a_second(shop, head):
    trial, good = head({"head.window_length_mm": 0.4}), head(seed=2)
    took = []
    for _ in range(2):
        began = time.process_time()
        diagnosis = diagnose(shop.evaluations, trial, shop.causes, references=[good])
        advise(diagnosis, find_symptoms(diagnosis.expected, trial))
        took.append(time.process_time() - began)
    assert min(took) < 1.0
