"""Own best: a run-up speed is named only where one bowler's own balls carry it, and never for pace under 18."""
from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from creaseside.own_best import ENDS, FEWEST_BALLS, own_best


def bowled(seed: int, top: float, bend: float, balls: int = 40, noise: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    """Run-up speeds of 4.5 to 6.5 m/s, evenly over them, and ball speeds in km/h that are highest at `top`."""
    rng = np.random.default_rng(seed)
    v = rng.permutation(np.linspace(4.5, 6.5, balls))
    return v, 115 - bend * (v - top) ** 2 + rng.normal(0, noise, balls)


def best(v, y, age=25, **kwargs):
    return own_best(v, y, np.random.default_rng(1), age, **kwargs)


def test_the_curve_is_the_least_squares_quadratic():
    v, y = bowled(1, 5.5, 12)
    found = best(v, y)
    assert found and found.balls == 40
    c2, c1, c0 = np.polyfit(v, y, 2)
    assert found.curve == pytest.approx((c0, c1, c2), rel=1e-6)
    assert found.speed_m_s == pytest.approx(-c1 / (2 * c2)) and found.low < found.speed_m_s < found.high


def test_the_interval_is_scipys_bootstrap():
    v, y = bowled(2, 5.5, 12)

    def top(v_, y_):
        c = np.polyfit(v_, y_, 2)
        return -c[1] / (2 * c[0])

    reference = stats.bootstrap((v, y), top, paired=True, vectorized=False, method="percentile", n_resamples=1500,
                                rng=np.random.default_rng(3)).confidence_interval
    found = best(v, y)
    assert (found.low, found.high) == pytest.approx(tuple(reference), abs=0.03)


def test_the_interval_holds_the_truth_about_as_often_as_it_says():
    found = [best(*bowled(seed, 5.6, 15)) for seed in range(150)]
    shown = [f for f in found if f]
    assert len(shown) > 135
    assert np.mean([f.low <= 5.6 <= f.high for f in shown]) > 0.89


@pytest.mark.parametrize("top, bend", [(5.5, 0.0), (20.0, 0.4), (ENDS[1] * 2 + 4.5, 12.0), (ENDS[0] * 2 + 4.5, 12.0)])
def test_a_best_speed_is_named_of_nothing_no_more_often_than_stated(top, bend):
    """400 seeded bowlers without a best speed in their range: no relation, faster is better, the top at either end.
    At most 5 of 100, with two standard errors of 400."""
    shown = sum(bool(best(*bowled(seed, top, bend))) for seed in range(400))
    assert shown / 400 <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / 400)


@pytest.mark.parametrize("top, bend, words", [(5.5, -12, "bend down"), (4.2, 12, "slower"), (6.9, 12, "fastest")])
def test_the_reason_says_which_hurdle_was_not_taken(top, bend, words):
    found = best(*bowled(5, top, bend))
    assert not found and words in found.reason and np.isnan(found.speed_m_s)


def test_too_few_or_too_like_balls_say_so():
    v, y = bowled(6, 5.5, 12)
    y[FEWEST_BALLS - 1:] = np.nan
    assert f"found {FEWEST_BALLS - 1}" in best(v, y).reason
    assert "alike" in best(np.full(30, 5.0), np.arange(30.0)).reason
    assert "alike" in best(np.linspace(4, 6, 30), np.full(30, 110.0)).reason


@pytest.mark.parametrize("age", [None, 11, 17])
def test_under_18_no_speed_is_named_for_pace(age):
    v, y = bowled(7, 5.5, 12)
    found = best(v, y, age)
    assert not found and "under 18" in found.reason
    assert best(v, y, age, pace=False) and best(v, y, 18)


def test_the_generator_alone_makes_the_difference():
    v, y = bowled(8, 5.5, 12)
    assert best(v, y) == best(v, y)
    assert best(v, y).speed_m_s == own_best(v, y, np.random.default_rng(2), 25).speed_m_s


def test_units_do_not_matter():
    v, y = bowled(9, 5.5, 12)
    a, b = best(v, y), best(v * 3.6, y / 3.6)
    assert (b.speed_m_s, b.low, b.high) == pytest.approx((3.6 * a.speed_m_s, 3.6 * a.low, 3.6 * a.high), rel=1e-6)
