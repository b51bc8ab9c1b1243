"""What forecasts were worth: shares inside their bands, the mean error, and the words for both."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from fluewright.bench.scores import BANDS, ScoredForecast, score

cents = st.floats(-40.0, 40.0)
forecasts = st.lists(
    st.builds(ScoredForecast, st.just("x"), cents, st.floats(0.1, 10.0), cents, st.floats(0.1, 10.0)), min_size=1,
    max_size=60,
)  # fmt: skip


@given(forecasts)
def test_a_wider_band_holds_no_less_and_the_curve_only_rises(made):
    told = score(made)
    assert told.count == len(made)
    assert list(told.held) == sorted(told.held)
    assert (np.diff(told.observed) >= 0.0).all()
    assert all(0.0 <= share <= 1.0 for share in (*told.held, *told.observed))
    assert abs(told.mean_cents) <= told.rms_cents + 1e-9


@given(forecasts, st.floats(-5.0, 5.0))
def test_what_moves_forecast_and_outcome_alike_changes_no_score(made, by):
    moved = [ScoredForecast(f.what, f.mean + by, f.sigma, f.outcome + by, f.outcome_sigma) for f in made]
    one, other = score(made), score(moved)
    assert other.mean_cents == pytest.approx(one.mean_cents, abs=1e-9)
    assert other.rms_cents == pytest.approx(one.rms_cents, abs=1e-9)


def known(error, *, sigma=3.0, outcome_sigma=4.0, times=1):
    return [ScoredForecast("x", 1.0, sigma, 1.0 + error, outcome_sigma)] * times


def test_an_outcome_is_weighed_by_both_uncertainties():
    """3 and 4 make 5: an error of 8 lies 1.6 standard errors off, inside the 90 % band and outside the 80 % one."""
    assert known(8.0)[0].standard_errors == pytest.approx(1.6)
    told = score(known(8.0))
    assert dict(zip(BANDS, told.held, strict=True)) == {0.5: 0.0, 0.8: 0.0, 0.9: 1.0, 0.95: 1.0}
    assert (told.mean_cents, told.rms_cents, told.mean_sigma_cents) == pytest.approx((8.0, 8.0, 5.0))
    under = told.levels >= norm.cdf(1.6)
    assert told.observed == pytest.approx(under.astype(float))
    assert known(8.0, sigma=0.0, outcome_sigma=0.0)[0].standard_errors > 1e6


def test_the_share_held_is_as_unsure_as_so_many_throws():
    told = score(known(0.0, times=25))
    assert told.held_sigma == pytest.approx([math.sqrt(b * (1.0 - b) / 25) for b in BANDS])


def test_nothing_is_judged_by_fewer_than_twenty():
    assert score(known(0.0, times=19)).verdict == "19 outcomes: too few to judge, 20 are the least"
    assert "too few" not in score(known(0.0, times=20)).verdict


def mixed(inside, of):
    """Return outcomes of which so many lie inside the 90 % band, half of them on either side."""
    signs = [(-1.0) ** k for k in range(of)]
    return [known(s * (2.0 if k < inside else 12.0))[0] for k, s in enumerate(signs)]


@pytest.mark.parametrize(
    ("inside", "says"),
    [
        (48, "too narrow: cut less than advised"),
        (63, "the bands hold (90 % band held 90 % of 70 times)"),
        (70, "the bands hold"),
    ],
)
def test_how_many_lie_inside_says_whether_the_bands_hold(inside, says):
    assert says in score(mixed(inside, 70)).verdict


def test_bands_that_always_hold_are_wider_than_need_be_once_enough_notes_say_so():
    """A seventh of the notes counts as independent: of 70 even all inside prove nothing, of 700 they do."""
    assert "wider than need be" not in score(mixed(70, 70)).verdict
    assert "wider than need be" in score(mixed(700, 700)).verdict


def test_notes_that_come_out_sharp_on_average_are_told_with_their_sign():
    assert "notes come out +4.0 cents from the forecast on average" in score(known(4.0, times=70)).verdict
    assert "\u22124.0 cents" in score(known(-4.0, times=70)).verdict
    assert "on average" not in score(mixed(63, 70)).verdict


def test_without_an_outcome_nothing_is_claimed():
    told = score([])
    assert told.count == 0
    assert all(math.isnan(v) for v in (*told.held, told.mean_cents, told.rms_cents, *told.observed))
    assert told.levels.shape == told.observed.shape
