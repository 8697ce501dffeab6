"""Reliability: the published examples come out, and a reference library agrees on tables that nobody published."""
from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import linalg, stats

from creaseside import reliability

# Shrout & Fleiss 1979, table 2: 6 targets, 4 judges; their table 4 gives the coefficients (both from memory,
# recomputed).
SHROUT_FLEISS = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]])
# Bland & Altman 1986, table 1: peak expiratory flow, l/min, 17 people, first reading of two meters (from memory).
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]

# Weir 2005, table 2: 8 people, two trials; their table 3 ff. give ICC .95, mean square of error 57, SEM 7.6 and minimal
# difference 21 (from memory, recomputed).
WEIR = np.array([[146, 140], [148, 152], [170, 152], [90, 99], [157, 145], [156, 153], [176, 167], [205, 218]], float)
# Bland & Altman 1996 (BMJ 312:1654), table 1: peak expiratory flow, l/min, 20 schoolchildren, four readings each;
# within-subject variance 460.52, sd 21.5, repeatability 60 (from memory, recomputed).
PEF = np.array([[190, 220, 200, 200], [220, 200, 240, 230], [260, 260, 240, 280], [210, 300, 280, 265],
                [270, 265, 280, 270], [280, 280, 270, 275], [260, 280, 280, 300], [275, 275, 275, 305],
                [280, 290, 300, 290], [320, 290, 300, 290], [300, 300, 310, 300], [270, 250, 330, 370],
                [320, 330, 330, 330], [335, 320, 335, 375], [350, 320, 340, 365], [360, 320, 350, 345],
                [330, 340, 380, 390], [335, 385, 360, 370], [400, 420, 425, 420], [430, 460, 480, 470]], float)

tables = arrays(float, st.tuples(st.integers(2, 8), st.integers(2, 5)), elements=st.integers(-200, 200)).filter(
    lambda x: reliability.mean_squares(x).error > 1e-9 and reliability.mean_squares(x).subjects > 1e-9)


def test_the_six_coefficients_of_shrout_and_fleiss():
    found = reliability.icc(SHROUT_FLEISS)
    assert {k: round(v, 2) for k, v in found.items()} == {"(1,1)": .17, "(2,1)": .29, "(3,1)": .71,
                                                          "(1,k)": .44, "(2,k)": .62, "(3,k)": .91}


def test_the_interval_of_the_mean_of_trials_on_the_same_table():
    """F = 1.79 with 5 and 18 degrees of freedom; -0.88 to 0.91 as the psych package for R prints it (from memory)."""
    found = reliability.alike(SHROUT_FLEISS)
    assert [round(v, 2) for v in (found.icc, found.low, found.high)] == [.44, -.88, .91] and found.n == 6


@pytest.mark.parametrize("between", [0.0, 0.5, 2.0])
def test_the_interval_of_the_mean_of_trials_holds_what_is_so(between):
    """Rows of a known spread between them, two trials with an error of 1: 95 of 100 intervals hold the true value."""
    rng, true = np.random.default_rng(5), between ** 2 / (between ** 2 + 1 / 2)
    tables = rng.normal(0, between, (2000, 12, 1)) + rng.normal(0, 1, (2000, 12, 2))
    found = [reliability.alike(t) for t in tables]
    assert np.mean([f.low <= true <= f.high for f in found]) == pytest.approx(0.95, abs=0.015)
    for f, t in zip(found[:50], tables):
        assert f.icc == pytest.approx(reliability.icc(t)["(1,k)"])


def test_trials_that_never_differ_have_no_interval():
    with pytest.raises(ValueError, match="measure finer"):
        reliability.alike(np.array([[1.0, 1.0], [2.0, 2.0], [3.0, 3.0]]))


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


def test_weirs_example_gives_his_sem_and_minimal_difference():
    m = reliability.mean_squares(WEIR)
    found = reliability.icc(WEIR)
    assert round(m.error) == 57 and round(found["(3,1)"], 2) == round(found["(2,1)"], 2) == 0.95
    assert round(reliability.sem(WEIR), 1) == 7.6 and round(reliability.mdc95(reliability.sem(WEIR))) == 21
    assert reliability.typical_error(*WEIR.T) == pytest.approx(reliability.sem(WEIR))     # the same of two trials (Hopkins 2000)


def sums(groups) -> tuple[list, list, list]:
    groups = [np.asarray(g, float) for g in groups]
    return [len(g) for g in groups], [g.sum() for g in groups], [(g * g).sum() for g in groups]


def test_the_error_within_is_bland_and_altmans():
    found = reliability.within(*sums(PEF))
    assert found.error ** 2 == pytest.approx(460.52, abs=0.01) and round(found.error, 1) == 21.5
    assert reliability.mdc95(found.error) == pytest.approx(60, abs=0.6)      # their repeatability, 2.77 times the error
    assert (found.groups, found.balls) == (20, 80)


def test_the_error_within_groups_of_any_size_is_the_residual_of_scipys_regression_on_the_group():
    rng = np.random.default_rng(3)
    groups = [rng.normal(160 + 5 * i, 3, n) for i, n in enumerate((2, 7, 1, 4, 12))]
    kept = [g for g in groups if len(g) > 1]
    design = np.repeat(np.eye(len(kept)), [len(g) for g in kept], axis=0)
    y = np.concatenate(kept)
    left = y - design @ linalg.lstsq(design, y)[0]
    found = reliability.within(*sums(groups))
    assert found.error == pytest.approx(np.sqrt(left @ left / (len(y) - len(kept))))
    assert (found.groups, found.balls) == (4, 25)


def test_the_errors_interval_holds_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(4)
    found = [reliability.within(*sums(rng.normal(160, 3, (6, 6)) + rng.normal(0, 9, (6, 1)))) for _ in range(1000)]
    assert np.mean([f.low <= 3 <= f.high for f in found]) == pytest.approx(0.95, abs=0.02)


@pytest.mark.parametrize("groups", [[], [[1.0]], [[1.0, 2.0]], [[1.0], [2.0], [3.0]]])
def test_an_error_of_too_few_balls_is_refused(groups):
    with pytest.raises(ValueError, match="measure more"):
        reliability.within(*sums(groups))


@given(tables)
def test_mean_squares_agree_with_scipys_analysis_of_variance(table):
    m = reliability.mean_squares(table)
    if m.within > 1e-9:
        assert m.subjects / m.within == pytest.approx(stats.f_oneway(*table).statistic, rel=1e-6)
    n, k = table.shape
    assert m.within * n * (k - 1) == pytest.approx(m.trials * (k - 1) + m.error * (n - 1) * (k - 1), rel=1e-6)


@example(np.array([[1.0, 0.0], [0.0, 1.0], [0.0, 0.0]]), 0.0, 0.375)   # of agreement over the mean there is nothing to divide by
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
