"""Reliability: how far two measurements of the same thing differ: typical error, ICC, SEM, MDC and limits of agreement.

Tables are (subjects, trials) arrays: a row for each bowler, ball or clip, a column for each trial, rater or method.
Rows with a NaN are left out. This room judges no bowler; ValueError where there is too little to compute from.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri, fdtri

Z95 = 1.959963984540054
ROUNDING = 1e-12     # of mean squares: what is left where two that are alike are taken from each other


@dataclass(frozen=True, slots=True)
class MeanSquares:
    """Two-way analysis of variance, one value a cell: between subjects, within them, between trials, what is left."""

    subjects: float
    within: float
    trials: float
    error: float
    n: int
    k: int


@dataclass(frozen=True, slots=True)
class Agreement:
    """`bias`: mean of first - second; `sd` of the differences; `low`..`high`: bias ± z sd; `n` pairs."""

    bias: float
    sd: float
    low: float
    high: float
    n: int


def whole(table: np.ndarray) -> np.ndarray:
    """The rows without NaN, (n, k) with n and k of at least 2."""
    table = np.asarray(table, float)
    kept = table[np.isfinite(table).all(axis=1)] if table.ndim == 2 else table
    if kept.ndim != 2 or min(kept.shape) < 2:
        raise ValueError(f"asked 2 or more whole rows of 2 or more trials, found shape {kept.shape}; measure more")
    return kept


def mean_squares(table: np.ndarray) -> MeanSquares:
    """Shrout & Fleiss 1979, table 1: BMS, WMS, JMS and EMS of an (n, k) table."""
    x = whole(table)
    n, k = x.shape
    rows, columns, all_ = x.mean(1, keepdims=True), x.mean(0, keepdims=True), x.mean()
    return MeanSquares(k * float(((rows - all_) ** 2).sum()) / (n - 1), float(((x - rows) ** 2).sum()) / (n * (k - 1)),
                       n * float(((columns - all_) ** 2).sum()) / (k - 1),
                       float(((x - rows - columns + all_) ** 2).sum()) / ((n - 1) * (k - 1)), n, k)


def icc(table: np.ndarray) -> dict[str, float]:
    """The six intraclass correlations of Shrout & Fleiss 1979, named (1,1) (2,1) (3,1) and (1,k) (2,k) (3,k).

    (1,·): trials that have nothing in common from row to row; (2,·): agreement, a difference between trials counts;
    (3,·): consistency, it does not. (·,k): of the mean of k trials. 0 to 1 where rows differ more than error alone
    makes them; otherwise a number without meaning, and NaN where it would be divided by nothing but rounding.
    """
    m = mean_squares(table)
    b, w, j, e, n, k = m.subjects, m.within, m.trials, m.error, m.n, m.k
    fractions = {"(1,1)": (b - w, b + (k - 1) * w), "(2,1)": (b - e, b + (k - 1) * e + k * (j - e) / n),
                 "(3,1)": (b - e, b + (k - 1) * e),
                 "(1,k)": (b - w, b), "(2,k)": (b - e, b + (j - e) / n), "(3,k)": (b - e, b)}
    nothing = ROUNDING * (b + w + j + e)
    return {name: over / under if abs(under) > nothing else float("nan") for name, (over, under) in fractions.items()}


@dataclass(frozen=True, slots=True)
class Alike:
    """An intraclass correlation with its 95 % interval `low`..`high`, from `n` rows."""

    icc: float
    low: float
    high: float
    n: int


def alike(table: np.ndarray, sure: float = 0.95) -> Alike:
    """ICC (1,k) with its interval, by F (Shrout & Fleiss 1979, their equations for (1,k)): how much of the spread between the
    rows' means is the rows' own.

    For trials that are each other's equals, and rows that differ normally. Near 0 where all rows are alike, which says
    nothing against the trials. ValueError where trials do not differ at all.
    """
    m = mean_squares(table)
    if not m.within > 0:
        raise ValueError("asked trials that differ somewhere, found none; measure finer")
    f, df = m.subjects / m.within, (m.n - 1, m.n * (m.k - 1))
    high, low = f * fdtri(*df[::-1], (1 + sure) / 2), f / fdtri(*df, (1 + sure) / 2)
    return Alike(float(1 - 1 / f) if f else -np.inf, float(1 - 1 / low) if low else -np.inf,
                 float(1 - 1 / high) if high else -np.inf, m.n)


@dataclass(frozen=True, slots=True)
class Within:
    """`error`: what one ball is off its group's mean, with its 95 % interval; from so many `groups` and `balls`."""

    error: float
    low: float
    high: float
    groups: int
    balls: int


def within(counts: np.ndarray, sums: np.ndarray, squares: np.ndarray) -> Within:
    """One bowler's own error from groups of balls: root of the mean square within groups (Bland & Altman 1996).

    Each (groups,): how many balls, their sum, the sum of their squares. Groups may differ in size and in their means,
    so what changes from group to group is left out, as in the typical error (Hopkins 2000), which this is for two trials.
    Interval by chi-square; a drift inside a group makes the error too large, balls that resemble the one before make
    the interval too narrow.
    """
    n, s, q = (np.asarray(a, float) for a in (counts, sums, squares))
    n, s, q = n[n >= 2], s[n >= 2], q[n >= 2]
    df = float((n - 1).sum())
    if df < 2:
        raise ValueError(f"asked 2 or more balls in a group, 3 or more in all, found {int(n.sum())}; measure more")
    left = max(float((q - s * s / n).sum()), 0.0)
    low, high = (float(np.sqrt(left / chdtri(df, tail))) for tail in (0.025, 0.975))
    return Within(float(np.sqrt(left / df)), low, high, len(n), int(n.sum()))


def typical_error(first: np.ndarray, second: np.ndarray) -> float:
    """SD of the differences over root 2, same unit (Hopkins 2000): what one measurement is off, shifts apart."""
    pairs = whole(np.column_stack([first, second]))
    return float(np.std(pairs[:, 0] - pairs[:, 1], ddof=1) / np.sqrt(2))


def sem(table: np.ndarray) -> float:
    """Standard error of measurement, same unit: the root of the error mean square (Weir 2005)."""
    return float(np.sqrt(mean_squares(table).error))


def mdc95(sem_: float, balls: float = 1) -> float:
    """Smallest change between two means of `balls` balls each that error alone passes once in 20 times (Weir 2005).

    1.96 · √2 · SEM / √balls; the root holds for errors that differ from ball to ball, not for what they share.
    """
    return float(Z95 * np.sqrt(2 / balls) * sem_)


def limits_of_agreement(first: np.ndarray, second: np.ndarray, z: float = Z95) -> Agreement:
    """Bland & Altman 1986, first - second; their paper takes z = 2."""
    pairs = whole(np.column_stack([first, second]))
    d = pairs[:, 0] - pairs[:, 1]
    bias, sd = float(d.mean()), float(d.std(ddof=1))
    return Agreement(bias, sd, bias - z * sd, bias + z * sd, len(d))
