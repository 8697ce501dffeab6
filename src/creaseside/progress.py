"""Progress: the mean of a block of balls with its interval, and whether what changed is still there without feedback.

Balls follow one another and are not independent, so the order counts. This room says `cannot tell` where the balls do
not carry an answer, and never that a change is an improvement: that is the coach's to say.
"""
from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Sequence

import numpy as np
from scipy.special import stdtrit

from creaseside.ball import Value
from creaseside.plan import LONGEST

SURE = 0.95
FEWEST_BALLS = 4       # a block's scatter and its order from fewer are guesses (ours)
STRONGEST = 0.9        # a correlation above this is not told apart from a drift by 60 balls or fewer (ours)


@dataclass(frozen=True, slots=True)
class Mean:
    """A block's mean with its 95 % interval, in the measure's unit. False, with the reason, where there is none.

    `sd`: from ball to ball; `balls`: measured; `effective`: how many independent balls they are worth.
    """

    value: float = math.nan
    low: float = math.nan
    high: float = math.nan
    sd: float = math.nan
    balls: int = 0
    effective: float = 0.0
    reason: str | None = None

    def __bool__(self) -> bool:
        return self.reason is None


@dataclass(frozen=True, slots=True)
class Stuck:
    """The no-feedback block's mean less the baseline's, with its 95 % interval.

    `mdc`: smallest change that this many balls can tell from chance. `word`: `changed`, `same` or `cannot tell`.
    `more`: no-feedback balls that would settle it were the change real and just as large, None where more of them
    cannot; `per_block`: the same for two new blocks of that many balls, None above plan.LONGEST. Both are arithmetic,
    not leave to bowl: limits of workload come first, and another day will do.
    """

    word: str
    change: float = math.nan
    low: float = math.nan
    high: float = math.nan
    mdc: float = math.nan
    more: int | None = None
    per_block: int | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class _Scatter:
    """What blocks have in common: the variance of a ball about its block's mean, and the correlation with the next."""

    variance: float
    lag_1: float


def lag_1(blocks: Sequence[np.ndarray]) -> float:
    """Correlation of a ball with the next, pooled over blocks about their own means; 0 to STRONGEST.

    Each block: (n,) in the order of balls, NaN where not measured. Taken up by (1 + 3 r) / n, since a short row makes
    it too small by that (Marriott & Pope 1954; Kendall 1954). Below 0 counts as 0: it would make an interval
    narrower.
    """
    off = [b - np.nanmean(b) for b in blocks]
    products = np.concatenate([d[1:] * d[:-1] for d in off])
    squares = np.concatenate([d * d for d in off])
    if np.isnan(products).all() or not np.nansum(squares) > 0:
        return 0.0
    seen = np.isfinite(squares).sum()
    pairs = np.isfinite(products).sum()
    share = (seen - len(blocks)) / pairs      # beside a ball that was not measured, pairs are lost
    r = np.nansum(products) / np.nansum(squares) * share
    return float(np.clip(r + (1 + 3 * r) / (seen / len(blocks)), 0.0, STRONGEST))


def effective(n: int, r: float) -> float:
    """How many independent balls n in a row are worth for their mean: n / (1 + 2 Σ (1 - k/n) r^k), k = 1 … n - 1.

    For a correlation that falls off as r^k with the distance (Bayley & Hammersley 1946); the sum is written out. n for
    r = 0, above 1 for r < 1.
    """
    return n / (1 + 2 * r / (1 - r) * (1 - (1 - r ** n) / (n * (1 - r))))


def block_mean(values: Sequence[Value]) -> Mean:
    """The mean of a block, balls in the order of bowling, those not measured among them.

    Interval: Student's t at `effective` - 1 degrees of freedom; the variance is set right for what correlated balls
    hide of it (Zieba 2010). On independent balls it holds the truth 96 of 100 times, with a correlation of 0.3, 93
    (seeded runs).
    """
    x = _row(values)
    seen = int(np.isfinite(x).sum())
    if seen < FEWEST_BALLS:
        return Mean(balls=seen, reason=f"asked {FEWEST_BALLS} measured balls, found {seen}; "
                                       "add more within the day's limit")
    scatter = _scatter([x], [values])
    e = effective(seen, scatter.lag_1)
    half = stdtrit(max(e - 1, 1.0), (1 + SURE) / 2) * math.sqrt(scatter.variance / e)
    mean = float(np.nanmean(x))
    return Mean(mean, mean - half, mean + half, float(np.nanstd(x, ddof=1)), seen, e)


def session_mean(blocks: Sequence[Sequence[Value]]) -> Mean:
    """The mean of all balls of several blocks, each in the order of bowling, those not measured among them.

    Blocks may differ from each other (that is what feedback is for): scatter and correlation are taken within them, and
    the interval is that of the blocks' means, weighted by their balls. One block alone: `block_mean`.
    """
    kept = [(x, b) for b in blocks if np.isfinite(x := _row(b)).any()]
    n = [int(np.isfinite(x).sum()) for x, _ in kept]
    if sum(n) < max(FEWEST_BALLS, len(n) + 1):
        return Mean(balls=sum(n), reason=f"asked {FEWEST_BALLS} measured balls, more than one to a block, "
                                         f"found {sum(n)}; add more within the day's limit")
    scatter = _scatter([x for x, _ in kept], [b for _, b in kept])
    worth = [effective(k, scatter.lag_1) for k in n]
    of_mean = sum((k / sum(n)) ** 2 * scatter.variance / e for k, e in zip(n, worth))
    half = stdtrit(max(sum(worth) - len(n), 1.0), (1 + SURE) / 2) * math.sqrt(of_mean)
    mean = sum(float(np.nansum(x)) for x, _ in kept) / sum(n)
    return Mean(mean, mean - half, mean + half, math.sqrt(scatter.variance), sum(n),
                scatter.variance / of_mean if of_mean else sum(worth))


def did_it_stick(baseline: Sequence[Value], no_feedback: Sequence[Value], margin: float = 0.0) -> Stuck:
    """Is the player's mean without feedback another one than in the baseline? Balls in the order of bowling.

    `changed`: the interval of the change leaves 0 out; where there is none and balls are independent, chance does so
    4 times in 100, and 8 times where they are correlated by 0.3 in blocks of six (seeded runs). `same`: all of it is
    within ±margin, the change that nobody need care about (in the measure's unit; 0: never said). Else `cannot tell`.
    The mdc is Weir's (2005) with Student's t for 1.96, since the error is known from these balls alone, and with
    `effective` balls; the error is never taken to be less than the balls' own sd of measuring.
    """
    x, y = _row(baseline), _row(no_feedback)
    n, m = (int(np.isfinite(b).sum()) for b in (x, y))
    if min(n, m) < FEWEST_BALLS:
        return Stuck("cannot tell", reason=f"asked {FEWEST_BALLS} measured balls a block, found {n} in the baseline "
                                           f"and {m} without feedback; add more within the day's limit")
    scatter = _scatter([x, y], [baseline, no_feedback])
    change = float(np.nanmean(y) - np.nanmean(x))
    half = _mdc(scatter, n, m)
    low, high = change - half, change + half
    if max(abs(low), abs(high)) <= margin:
        return Stuck("same", change, low, high, half, 0, 0)
    if abs(change) > half:
        return Stuck("changed", change, low, high, half, 0, 0)
    more = next((k for k in range(1, LONGEST + 1) if _mdc(scatter, n, m + k) < abs(change)), None)
    per_block = next((k for k in range(FEWEST_BALLS, LONGEST + 1) if _mdc(scatter, k, k) < abs(change)), None)
    return Stuck("cannot tell", change, low, high, half, more, per_block)


def _row(values: Sequence[Value]) -> np.ndarray:
    return np.array([v.value if v else math.nan for v in values], float)


def _scatter(blocks: Sequence[np.ndarray], values: Sequence[Sequence[Value]]) -> _Scatter:
    r = lag_1(blocks)
    seen = [int(np.isfinite(b).sum()) for b in blocks]
    squares = sum(float(np.nansum((b - np.nanmean(b)) ** 2)) for b in blocks)
    variance = squares / sum(n - n / effective(n, r) for n in seen)
    errors = [v.sd for block in values for v in block if v and v.sd is not None and math.isfinite(v.sd)]
    return _Scatter(max(variance, float(np.mean(np.square(errors))) if errors else 0.0), r)


def _mdc(scatter: _Scatter, n: int, m: int) -> float:
    """Half the 95 % interval of a difference between the means of n and of m balls."""
    a, b = effective(n, scatter.lag_1), effective(m, scatter.lag_1)
    return float(stdtrit(max(a + b - 2, 1.0), (1 + SURE) / 2) * math.sqrt(scatter.variance * (1 / a + 1 / b)))
