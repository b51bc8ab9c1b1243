"""What may be recorded as a cut, and what is kept with it."""

import numpy as np
import pytest

from fluewright.errors import InputError, LedgerError, ModelError
from fluewright.instrument.files import validate_model
from fluewright.ledger import Cut, Measurement, open_ledger
from fluewright.shop.cutting import correct_cut, record_cut
from fluewright.shop.models import save_version
from fluewright.shop.pieces import measure_piece
from fluewright.shop.sitting import play, sit_down, sit_down_loose

HOW = {"tool": "taper reamer", "reason": "G5 flat"}
HOLE = "holes.3.diameter_mm"


@pytest.fixture
def gauged(ledger, known):
    measure_piece(ledger, "D5-0001", {HOLE: 7.00, "length_mm": 265.0})
    return sit_down(ledger, "D5-0001", known=known)


def test_a_cut_is_kept_with_sizes_tool_and_reason(gauged, events, ledger):
    made = record_cut(gauged, key=HOLE, after_mm=7.2, **HOW)
    cut = events()[-1]
    assert isinstance(cut, Cut)
    assert (cut.event_id, cut.feature, cut.before_mm, cut.after_mm) == (made.event, HOLE, 7.0, 7.2)
    assert (cut.tool, cut.reason) == ("taper reamer", "G5 flat")
    with open_ledger(ledger) as book:
        assert book.as_built("D5-0001") == {HOLE: 7.2, "length_mm": 265.0}
    # Not played yet: nothing to forecast from.
    assert (made.forecast, cut.forecast) == (None, {})


def test_the_first_that_the_ledger_hears_of_a_size_is_what_it_was_before(known, events, model):
    design = model.holes[1].diameter_mm
    record_cut(known, key="holes.2.diameter_mm", after_mm=design + 0.2, **HOW)
    measured, cut = events()[-2:]
    assert isinstance(measured, Measurement)
    assert measured.as_built == {"holes.2.diameter_mm": design}
    assert measured.remarks == "as designed, before the cut"
    assert cut.before_mm == design


def test_a_size_gauged_anew_before_the_cut_is_a_measurement_of_its_own(gauged, events):
    record_cut(gauged, key=HOLE, before_mm=7.05, after_mm=7.2, **HOW)
    measured, cut = events()[-2:]
    assert (measured.as_built, measured.remarks) == ({HOLE: 7.05}, "gauged before the cut")
    assert cut.before_mm == 7.05


def test_a_size_before_that_agrees_with_the_ledger_needs_no_measurement(gauged, events):
    before = len(events())
    record_cut(gauged, key=HOLE, before_mm=7.0, after_mm=7.2, **HOW)
    assert len(events()) == before + 1


@pytest.mark.parametrize(
    ("key", "after", "more", "says", "field"),
    [
        (HOLE, 6.9, {}, "cutting makes this size larger", "after_mm"),
        ("length_mm", 265.5, {}, "cutting makes this size smaller", "after_mm"),
        (HOLE, 7.0, {}, "a cut changes a size", "after_mm"),
        (HOLE, float("nan"), {}, "is no size", "after_mm"),
        (HOLE, float("inf"), {}, "is no size", "after_mm"),
        (HOLE, 7.2, {"tool": "  "}, "write it in a few words", "tool"),
        (HOLE, 7.2, {"reason": ""}, "write it in a few words", "reason"),
        (HOLE, 7.6, {"before_mm": 7.4}, "the ledger has 7 mm for D5-0001", "before_mm"),
        ("holes.3.position_mm", 130.0, {}, "is set in making", "holes.3.position_mm"),
        ("head.ramp_angle_deg", 16.0, {}, "is set in making", "head.ramp_angle_deg"),
        ("holes.9.diameter_mm", 7.0, {}, "has no such size", "holes.9.diameter_mm"),
    ],
)
def test_what_no_tool_does_is_refused_and_names_its_field(gauged, events, key, after, more, says, field):
    before = len(events())
    with pytest.raises(InputError, match=says) as caught:
        record_cut(gauged, key=key, after_mm=after, **{**HOW, **more})
    assert caught.value.field == field
    assert len(events()) == before


def test_sizes_after_it_must_make_an_instrument(gauged, events):
    with pytest.raises(ModelError, match="less than the bore"):
        record_cut(gauged, key=HOLE, after_mm=40.0, **HOW)
    assert not any(isinstance(e, Cut) for e in events())


def test_a_gauge_that_differs_a_little_is_taken_one_that_differs_much_is_not(gauged):
    record_cut(gauged, key=HOLE, before_mm=7.14, after_mm=7.3, **HOW)


def test_a_loose_piece_has_nowhere_to_record_a_cut(pitch):
    with pytest.raises(InputError, match="in no ledger") as caught:
        record_cut(sit_down_loose(pitch, {}), key=HOLE, after_mm=7.9, **HOW)
    assert caught.value.field == "serial"


def test_the_forecast_says_what_the_gauged_cut_does_note_by_note(known, take_of, ledger, events):
    """The pitch model itself, at the gauged sizes, is what the forecast must show; the foot moves all notes."""
    play(known, [take_of(-25.0)])
    sitting = sit_down(ledger, "D5-0001", known=known)
    now = sitting.verdict().cents
    length = known.model.length_mm
    made = record_cut(sitting, key="length_mm", after_mm=length - 1.0, tool="saw", reason="D5 flat")
    moved = made.forecast.cents - now
    assert moved[0] == pytest.approx(6.5, abs=0.8)
    assert (moved[sitting.pitch.first_register] > 0.0).all()
    kept = events()[-1].forecast
    assert kept["cents_after"]["D5 1"] == pytest.approx(made.forecast.cents[0], abs=0.006)
    assert kept["sigma_after"]["D5 1"] == pytest.approx(made.forecast.sigma[0], abs=0.006)
    assert 0.0 <= kept["overshoot_chance"] == made.forecast.overshoot <= 1.0
    assert len(kept["cents_after"]) == sum(f.alternative == 0 for f in sitting.pitch.fingerings)
    # A cut of a hole beside it counts on top: the forecast is for all that was cut since the piece was played.
    next_one = record_cut(
        sit_down(ledger, "D5-0001", known=sitting), key=HOLE, after_mm=known.model.holes[2].diameter_mm + 0.3, **HOW
    )
    a5 = [f.note for f in sitting.pitch.fingerings].index("A5")
    assert next_one.forecast.cents[a5] > made.forecast.cents[a5] + 2.0
    assert next_one.forecast.cents[0] == pytest.approx(made.forecast.cents[0], abs=1.5)


def test_a_gauged_cut_is_surer_than_a_planned_one_and_less_sure_than_no_cut(known, take_of, ledger):
    play(known, [take_of(-25.0)])
    sitting = sit_down(ledger, "D5-0001", known=known)
    verdict = sitting.verdict()
    cut = verdict.plan[0]
    made = record_cut(sitting, key=cut.key, after_mm=round(cut.after_mm, 3), tool=cut.tool, reason="flat")
    assert made.forecast.cents == pytest.approx(cut.cents_after, abs=0.02)
    moved = np.abs(cut.cents_after - verdict.cents) > 1.0
    assert (made.forecast.sigma[moved] < cut.sigma_after[moved]).all()
    assert (made.forecast.sigma[moved] > verdict.sigma[moved]).all()


def test_a_mistyped_cut_is_put_right_and_the_first_reading_stays(gauged, ledger, events):
    event = record_cut(gauged, key=HOLE, after_mm=7.9, **HOW).event
    made = correct_cut(ledger, "D5-0001", event, after_mm=7.3, reason="mistyped")
    assert events()[-1].event_id == made
    cut = next(e for e in events() if e.event_id == event)
    assert (cut.after_mm, cut.originals["after_mm"], cut.corrected) == (7.3, 7.9, True)
    with open_ledger(ledger) as book:
        assert book.as_built("D5-0001")[HOLE] == 7.3


def test_a_correction_must_fit_the_cuts_about_it(gauged, ledger, known):
    first = record_cut(gauged, key=HOLE, after_mm=7.3, **HOW).event
    record_cut(sit_down(ledger, "D5-0001", known=known), key=HOLE, after_mm=7.5, **HOW)
    for wrong in (6.5, 7.8):
        with pytest.raises(InputError, match="cannot have come back"):
            correct_cut(ledger, "D5-0001", first, after_mm=wrong, reason="x")
    with pytest.raises(ModelError, match="less than the bore"):
        correct_cut(ledger, "D5-0001", first, after_mm=30.0, reason="x")
    with pytest.raises(InputError, match="is no cut of D5-0001") as caught:
        correct_cut(ledger, "D5-0001", 1, after_mm=7.2, reason="x")
    assert caught.value.field == "event"
    with pytest.raises(LedgerError):
        correct_cut(ledger, "D5-0001", first, after_mm=7.2, reason="")


def test_a_bore_is_reamed_at_a_station(known, events):
    key = "bore.stations_mm.2.diameter"
    made = record_cut(known, key=key, after_mm=12.8, tool="reamer", reason="octaves narrow")
    assert made.after_mm == 12.8
    assert events()[-1].feature == key


def test_a_cut_is_judged_by_the_version_that_the_piece_was_begun_with(ledger, known, model, events):
    """A later version with a narrower bore says nothing of a piece that has the wide one."""
    sitting = sit_down(ledger, "D5-0001", known=known)
    event = record_cut(sitting, key=HOLE, after_mm=8.2, **HOW).event
    raw = model.model_dump(mode="json")
    raw["bore"]["stations_mm"] = [[x, 8.6] for x, _ in raw["bore"]["stations_mm"]]
    raw["head"] |= {"window_width_mm": 6.0}
    raw["head"]["windway"]["width_mm"] = 5.9
    raw["head"]["edge_offset_mm"] = -0.4
    save_version(ledger, validate_model(raw))
    correct_cut(ledger, "D5-0001", event, after_mm=9.0, reason="mistyped")
    assert next(e for e in events() if e.event_id == event).after_mm == 9.0
    measure_piece(ledger, "D5-0001", {"holes.2.diameter_mm": 9.0})
    assert events()[-1].as_built == {"holes.2.diameter_mm": 9.0}
