"""Reliability: the published examples come out, and a reference library agrees on tables that nobody published."""
from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from creaseside import reliability

# Shrout & Fleiss 1979, table 2: 6 targets, 4 judges; their table 4 gives the coefficients (both from memory,
# recomputed).
SHROUT_FLEISS = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]])
# Bland & Altman 1986, table 1: peak expiratory flow, l/min, 17 people, first reading of two meters (from memory).
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]

tables = arrays(float, st.tuples(st.integers(2, 8), st.integers(2, 5)), elements=st.integers(-200, 200)).filter(
    lambda x: reliability.mean_squares(x).error > 1e-9 and reliability.mean_squares(x).subjects > 1e-9)


def test_the_six_coefficients_of_shrout_and_fleiss():
    found = reliability.icc(SHROUT_FLEISS)
    assert {k: round(v, 2) for k, v in found.items()} == {"(1,1)": .17, "(2,1)": .29, "(3,1)": .71,
                                                          "(1,k)": .44, "(2,k)": .62, "(3,k)": .91}


def test_the_mean_squares_of_shrout_and_fleiss():
    m = reliability.mean_squares(SHROUT_FLEISS)
    assert [round(v, 2) for v in (m.subjects, m.within, m.trials, m.error)] == [11.24, 6.26, 32.49, 1.02]


def test_sem_and_mdc_of_the_same_table():
    assert reliability.sem(SHROUT_FLEISS) == pytest.approx(1.0097, abs=1e-4)
    assert reliability.mdc95(reliability.sem(SHROUT_FLEISS)) == pytest.approx(2.7987, abs=1e-4)


def test_mdc_of_one_ball_and_of_six():
    """Weir 2005: 1.96 · √2 · SEM."""
    assert reliability.mdc95(3) == pytest.approx(8.3, abs=0.05)
    assert reliability.mdc95(3, balls=6) == pytest.approx(3.4, abs=0.05)


def test_limits_of_agreement_of_the_two_meters():
    """Bland & Altman 1986: mean difference -2.1, SD 38.8, limits -79.7 and 75.5 with the rounded SD and z = 2."""
    found = reliability.limits_of_agreement(LARGE, MINI, z=2)
    assert (round(found.bias, 1), round(found.sd, 1), found.n) == (-2.1, 38.8, 17)
    assert (found.low, found.high) == (pytest.approx(-79.7, abs=0.1), pytest.approx(75.5, abs=0.1))
    assert reliability.typical_error(LARGE, MINI) == pytest.approx(38.77 / np.sqrt(2), abs=0.01)


@given(tables)
def test_mean_squares_agree_with_scipys_analysis_of_variance(table):
    m = reliability.mean_squares(table)
    if m.within > 1e-9:
        assert m.subjects / m.within == pytest.approx(stats.f_oneway(*table).statistic, rel=1e-6)
    n, k = table.shape
    assert m.within * n * (k - 1) == pytest.approx(m.trials * (k - 1) + m.error * (n - 1) * (k - 1), rel=1e-6)


@given(tables, st.floats(-50, 50), st.floats(0.1, 10))
def test_icc_has_no_unit_and_consistency_knows_no_shift(table, shift, scale):
    one, other = reliability.icc(table), reliability.icc(scale * table + shift)
    assert other == pytest.approx(one, abs=1e-6, nan_ok=True)
    tilted = reliability.icc(table + shift * np.arange(table.shape[1]))
    assert tilted["(3,1)"] == pytest.approx(one["(3,1)"], abs=1e-6)


@given(tables)
def test_icc_is_0_to_1_where_rows_differ_more_than_error(table):
    m = reliability.mean_squares(table)
    if m.subjects >= max(m.error, m.within):
        assert all(-1e-9 <= v <= 1 + 1e-9 for v in reliability.icc(table).values())


@given(tables)
def test_icc_of_a_mean_is_spearman_brown_of_the_single_one(table):
    found, k = reliability.icc(table), table.shape[1]
    for model in ("1", "3"):
        single = found[f"({model},1)"]
        assert found[f"({model},k)"] * (1 + (k - 1) * single) == pytest.approx(k * single, abs=1e-6)


@given(arrays(float, st.tuples(st.integers(2, 30), st.just(2)), elements=st.integers(-200, 200)))
def test_typical_error_is_the_sem_of_two_trials(table):
    assert reliability.typical_error(*table.T) == pytest.approx(reliability.sem(table), abs=1e-6)


def test_about_95_of_100_differences_are_within_the_limits():
    a, b = np.random.default_rng(5).normal(160, 4, (2, 4000))
    found = reliability.limits_of_agreement(a, b)
    assert np.mean((a - b > found.low) & (a - b < found.high)) == pytest.approx(0.95, abs=0.01)


def test_rows_that_are_not_whole_are_left_out():
    holed = np.vstack([SHROUT_FLEISS, [np.nan, 1, 2, 3]])
    assert reliability.icc(holed) == reliability.icc(SHROUT_FLEISS)
    whole = reliability.limits_of_agreement(LARGE, MINI)
    assert reliability.limits_of_agreement([*LARGE, np.nan], [*MINI, 400]) == whole


@pytest.mark.parametrize("table", [[[1, 2]], [[1], [2]], [1, 2, 3], [[1, np.nan], [2, 3]]])
def test_too_little_is_refused(table):
    with pytest.raises(ValueError, match="measure more"):
        reliability.icc(np.array(table, float))


def test_rows_that_are_all_the_same_have_no_icc():
    assert all(np.isnan(v) for v in reliability.icc(np.ones((3, 3))).values())
