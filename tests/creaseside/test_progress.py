"""Progress: intervals that respect the order of balls, and an answer only where the balls carry one."""
from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import linalg, stats

from creaseside.ball import Value
from creaseside.plan import LONGEST
from creaseside.progress import STRONGEST, block_mean, did_it_stick, effective, lag_1, session_mean

HIDDEN = Value.missing("hidden")
numbers = st.floats(100, 200)
blocks = st.lists(numbers, min_size=4, max_size=12).filter(lambda v: np.ptp(v) > 0.1)


def seen(values, sd: float | None = 0.0) -> list[Value]:
    return [Value(float(v), sd) for v in values]


def rows_of_balls(runs: int, balls: int, r: float, seed: int) -> np.ndarray:
    """(runs, balls) of variance 1, each ball correlated by r with the next."""
    x = np.random.default_rng(seed).standard_normal((runs, balls))
    for i in range(1, balls):
        x[:, i] = r * x[:, i - 1] + math.sqrt(1 - r * r) * x[:, i]
    return x


@given(st.integers(2, 60), st.floats(0, 0.95))
def test_effective_is_exact_for_the_mean_of_balls_so_correlated(n, r):
    """The variance of a mean is the mean of the covariance matrix: 1' R 1 / n² = 1 / effective."""
    assert 1 / effective(n, r) == pytest.approx(linalg.toeplitz(r ** np.arange(n)).mean(), rel=1e-9)


def test_lag_1_agrees_with_the_autocorrelation_that_numpy_gives():
    x = rows_of_balls(1, 40, 0.4, 3)[0]
    d = x - x.mean()
    plain = np.correlate(d, d, "full")[len(d)] / (d @ d)
    assert lag_1([x]) == pytest.approx(plain + (1 + 3 * plain) / 40)


def test_lag_1_is_near_the_truth_on_average_in_short_rows_also_with_a_ball_missing():
    """Uncorrected, 12 balls at 0.5 read 0.29 on average (Marriott & Pope 1954: less by (1 + 3 · 0.5) / 12)."""
    x = rows_of_balls(1000, 12, 0.5, 4)
    assert 0.38 < np.mean([lag_1([row]) for row in x]) < 0.52
    x[:, 5] = np.nan
    assert 0.36 < np.mean([lag_1([row]) for row in x]) < 0.52


@pytest.mark.parametrize("row", [[160.0] * 6, [160, np.nan, 161, np.nan, 162, np.nan]])
def test_lag_1_is_0_where_it_cannot_be_seen(row):
    assert lag_1([np.array(row)]) == 0.0


def test_lag_1_stays_within_its_bounds():
    assert lag_1([np.arange(50.0)]) == STRONGEST
    assert lag_1([np.array([1.0, -1.0] * 6)]) == 0.0


def test_without_correlation_the_interval_is_students():
    x = [160, 163, 158, 164, 159, 163, 157]      # up and down: no ball is like the one before
    low, high = stats.ttest_1samp(x, 0).confidence_interval(0.95)
    found = block_mean(seen(x))
    assert (found.value, found.low, found.high) == pytest.approx((np.mean(x), low, high))
    assert found.sd == pytest.approx(stats.tstd(x)) and found.effective == found.balls == 7


def test_the_same_balls_in_an_order_that_drifts_are_worth_fewer():
    x = [157, 158, 159, 160, 163, 163, 164]
    mixed, drift = block_mean(seen([160, 163, 158, 164, 159, 163, 157])), block_mean(seen(x))
    assert drift.value == pytest.approx(mixed.value) and drift.effective < 4
    assert drift.high - drift.low > 2 * (mixed.high - mixed.low)


@pytest.mark.parametrize("balls, r, least", [(6, 0.0, 0.945), (24, 0.0, 0.945), (6, 0.3, 0.91), (24, 0.3, 0.92),
                                             (24, 0.5, 0.91)])
def test_the_interval_holds_the_truth_as_often_as_it_says(balls, r, least):
    """1000 seeded rows; Student's interval alone covers 75 of 100 at 24 balls and 0.5."""
    found = [block_mean(seen(row)) for row in rows_of_balls(1000, balls, r, 7)]
    assert least <= np.mean([m.low <= 0 <= m.high for m in found]) <= 0.985


@given(blocks, st.floats(-50, 50))
def test_a_mean_moves_with_its_balls(values, shift):
    a, b = block_mean(seen(values)), block_mean(seen(np.add(values, shift)))
    assert b.value - a.value == pytest.approx(shift, abs=1e-6)
    assert b.high - b.low == pytest.approx(a.high - a.low, rel=1e-3)
    assert a.low <= a.value <= a.high and 1 < a.effective <= a.balls


@given(blocks)
def test_balls_that_were_not_measured_are_counted_out(values):
    found = block_mean([*seen(values), HIDDEN, HIDDEN])
    assert found.balls == len(values) and found.value == pytest.approx(np.mean(values))


def test_a_lucky_scatter_is_not_smaller_than_the_measuring_error():
    exact, rough = (block_mean(seen([160.0, 160.1, 160.0, 160.1], sd)) for sd in (0.0, 3.0))
    assert exact.high - exact.low < 0.2
    assert rough.high - rough.low == pytest.approx(2 * stats.t.ppf(0.975, 3) * 3.0 / 2)


def test_too_few_balls_have_no_mean_and_say_why():
    found = block_mean([*seen([160, 161, 162]), HIDDEN])
    assert not found and found.balls == 3 and "found 3" in found.reason
    stuck = did_it_stick(seen([160, 161, 162, 160]), [*seen([160]), HIDDEN])
    assert stuck.word == "cannot tell" and "1 without feedback" in stuck.reason and math.isnan(stuck.change)


def test_a_session_of_one_block_has_that_blocks_mean():
    x = seen([160, 163, 158, 164, 159, 163, 157], 1.0)
    assert session_mean([x]) == block_mean(x)


def test_a_step_from_block_to_block_does_not_widen_a_sessions_mean():
    x = [160, 163, 158, 164, 159, 163]
    alike, apart = session_mean([seen(x), seen(x)]), session_mean([seen(x), seen(np.add(x, 10.0))])
    assert apart.value == pytest.approx(alike.value + 5)
    assert apart.high - apart.low == pytest.approx(alike.high - alike.low)
    assert block_mean(seen([*x, *np.add(x, 10.0)])).effective < 5 < apart.effective


def test_without_correlation_a_sessions_interval_is_the_pooled_one():
    """Student's, with the pooled sd and n - blocks degrees of freedom (analysis of variance)."""
    blocks_ = [[160, 163, 158, 164, 159, 163], [171, 166, 172, 167]]
    pooled = math.sqrt(sum(np.var(b) * len(b) for b in blocks_) / 8)
    found = session_mean([seen(b) for b in blocks_])
    half = stats.t.ppf(0.975, 8) * pooled / math.sqrt(10)
    assert (found.value, found.high - found.value) == pytest.approx((np.mean(sum(blocks_, [])), half))
    assert found.sd == pytest.approx(pooled) and found.balls == 10


@pytest.mark.parametrize("r, least", [(0.0, 0.945), (0.3, 0.92)])
def test_a_sessions_interval_holds_the_truth_as_often_as_it_says(r, least):
    rows_ = rows_of_balls(1000, 18, r, 9)
    found = [session_mean([seen(row[:6]), seen(row[6:] + 4.0)]) for row in rows_]
    truth = 4.0 * 12 / 18
    assert least <= np.mean([m.low <= truth <= m.high for m in found]) <= 0.985


@pytest.mark.parametrize("blocks_", [[], [[]], [[160.0], [161.0], [162.0], [163.0]], [[160.0, 161.0, 162.0]]])
def test_a_session_with_too_few_balls_says_why(blocks_):
    found = session_mean([[*seen(b), HIDDEN] for b in blocks_])
    assert not found and "add more" in found.reason


def test_without_correlation_the_change_is_students_two_samples():
    x, y = [160, 163, 158, 164, 159, 163, 157], [161, 166, 160, 165, 160, 166]
    low, high = stats.ttest_ind(y, x).confidence_interval(0.95)
    found = did_it_stick(seen(x), seen(y))
    assert (found.low, found.high) == pytest.approx((low, high))
    assert found.mdc == pytest.approx((high - low) / 2) and found.word == "cannot tell"


def test_the_mdc_of_many_balls_is_weirs():
    """Weir 2005: 1.96 · √2 · SEM / √k; here SEM 3 and 400 balls a block, so that t is 1.96."""
    wave = 3 * np.tile([1, -1], 200) / np.std(np.tile([1, -1], 200), ddof=1)
    assert did_it_stick(seen(wave), seen(wave)).mdc == pytest.approx(1.96 * math.sqrt(2) * 3 / 20, rel=0.005)


def test_a_plain_change_has_changed():
    x, y = [150, 152, 149, 151, 150, 152], [160, 158, 161, 159, 162, 160]
    found = did_it_stick(seen(x, 1.0), seen(y, 1.0))
    assert found.word == "changed" and found.low < found.change < found.high and found.low > 0
    assert found.change == pytest.approx(np.mean(y) - np.mean(x)) and (found.more, found.per_block) == (0, 0)
    back = did_it_stick(seen(y, 1.0), seen(x, 1.0))
    assert (back.word, back.change) == ("changed", -found.change)


def test_same_is_said_only_of_an_interval_within_the_margin():
    x, y = [160, 162, 159, 161, 160, 162], [161, 160, 162, 160, 161, 160]
    half = did_it_stick(seen(x), seen(y)).mdc
    assert did_it_stick(seen(x), seen(y)).word == "cannot tell"
    assert did_it_stick(seen(x), seen(y), margin=0.99 * half).word == "cannot tell"
    assert did_it_stick(seen(x), seen(y), margin=1.01 * half).word == "same"      # the two means are the same


def test_the_balls_that_it_asks_for_would_do():
    wave = [158.0, 164.0, 159.0, 163.0, 158.5, 163.5]
    x, y = seen(wave), seen(np.add(wave, 3.0))
    found = did_it_stick(x, y)
    assert found.word == "cannot tell" and 0 < found.more < LONGEST
    level = np.mean(wave) + 3.0
    spread = np.std(wave, ddof=1) * math.sqrt(5 / 6)
    more = seen(level + spread * (-1.0) ** np.arange(found.more + found.more % 2))
    assert did_it_stick(x, y + more).word == "changed"
    assert found.per_block > len(wave)


def test_a_change_too_small_for_any_number_of_balls_asks_for_none():
    wave = [150.0, 170.0, 151.0, 169.0]
    found = did_it_stick(seen(wave), seen(np.add(wave, 0.2)))
    assert (found.word, found.more, found.per_block) == ("cannot tell", None, None)


@pytest.mark.parametrize("balls, r, most", [(4, 0.0, 0.055), (6, 0.0, 0.055), (12, 0.0, 0.055), (6, 0.3, 0.10),
                                            (12, 0.3, 0.09)])
def test_changed_is_said_of_nothing_no_more_often_than_stated(balls, r, most):
    """1500 seeded pairs of blocks without a change: 5 of 100 at most for independent balls (standard error 0.6)."""
    x = rows_of_balls(3000, balls, r, 11)
    words = [did_it_stick(seen(a), seen(b)).word for a, b in zip(x[::2], x[1::2])]
    assert 0.005 < words.count("changed") / len(words) <= most


@given(blocks, blocks)
def test_word_and_interval_never_contradict_each_other(a, b):
    found = did_it_stick(seen(a, 1.0), seen(b, 1.0))
    assert (found.word == "changed") == (found.low > 0 or found.high < 0) == (abs(found.change) > found.mdc)
    assert did_it_stick(seen(b, 1.0), seen(a, 1.0)).change == pytest.approx(-found.change)
