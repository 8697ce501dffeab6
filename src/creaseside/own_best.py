"""Own best: the run-up speed at which one bowler's own balls came out best, where the balls carry such a speed at all.

A quadratic through one bowler's balls, with three hurdles before anything is shown. It compares nobody with anybody,
knows no cause, and tells nobody under 18 a speed for more pace.
"""
from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

FEWEST_BALLS = 20      # as many as one bowler's own model was once made from (Salter, Sinclair & Portus 2007)
RESAMPLES = 2000
ENDS = (0.05, 0.95)    # the range of run-ups without its few most extreme, on which a slope would hang


@dataclass(frozen=True, slots=True)
class OwnBest:
    """`speed_m_s` with its interval `low`..`high`; `curve`: result = c0 + c1 v + c2 v². False where `reason` is."""

    speed_m_s: float = math.nan
    low: float = math.nan
    high: float = math.nan
    curve: tuple[float, float, float] | None = None
    balls: int = 0
    reason: str | None = None

    def __bool__(self) -> bool:
        return self.reason is None


def own_best(run_up_m_s: np.ndarray, result: np.ndarray, rng: np.random.Generator, age: int | None, pace: bool = True,
             sure: float = 0.95) -> OwnBest:
    """The run-up speed with the highest `result`, one bowler's balls, both (n,), NaN where not measured.

    Shown only where (1) the balls are enough, (2) the curve bends down and (3) it rises at the slow end of what was
    bowled and falls at the fast end, each sure to `sure` on one side (Lind & Mehlum 2010, after Sasabuchi 1980): so a
    best speed is named where there is none at most (1 - sure) of the time, for independent normal errors. Then the
    interval, from resampled balls (percentiles; Efron & Tibshirani 1993), must lie inside the range that was bowled.
    An error in the run-up speed flattens the curve and so hides a best speed rather than making one. pace: the result
    is the speed of the ball, which is not shown under 18 or where the age is not known.
    """
    v, y = np.asarray(run_up_m_s, float), np.asarray(result, float)
    both = np.isfinite(v) & np.isfinite(y)
    v, y = v[both], y[both]
    n = len(v)
    if pace and (age is None or age < 18):
        return OwnBest(balls=n, reason="not shown under 18: nobody who still grows is asked for more pace")
    if n < FEWEST_BALLS:
        return OwnBest(balls=n, reason=f"asked {FEWEST_BALLS} balls with both measured, found {n}; "
                                       "add more within the day's limit")
    if len(np.unique(v)) < 4 or np.ptp(y) == 0:
        return OwnBest(balls=n, reason="the balls are too much alike; vary the run-up")
    centre, scale = v.mean(), v.std()
    u = (v - centre) / scale
    c, cov = _fitted(u, y)
    why = _hurdles(c, cov, np.quantile(u, ENDS), n - 3, sure)
    if why:
        return OwnBest(balls=n, reason=why)
    ends = _interval(u, y, rng, sure)
    if ends is None or ends[0] < u.min() or ends[1] > u.max():
        return OwnBest(balls=n, reason="these balls do not pin the best speed down; bowl more at different speeds")
    best, low, high = (float(centre + scale * at) for at in (-c[1] / (2 * c[2]), *ends))
    curve = np.polynomial.Polynomial(c)(np.polynomial.Polynomial([-centre / scale, 1 / scale]))
    return OwnBest(best, low, high, tuple(map(float, curve.coef)), n)


def _fitted(u: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Least squares: coefficients (3,) from the constant up, and their covariance (3, 3)."""
    x = np.vander(u, 3, increasing=True)
    inverse = np.linalg.pinv(x.T @ x)
    c = inverse @ x.T @ y
    return c, inverse * float(np.sum((y - x @ c) ** 2)) / (len(u) - 3)


def _hurdles(c: np.ndarray, cov: np.ndarray, ends: np.ndarray, df: int, sure: float) -> str | None:
    """The first hurdle that the curve does not take, in words; None where it takes all."""
    t = float(stdtrit(df, sure))

    def surely_below_0(gradient: np.ndarray) -> bool:
        return float(gradient @ c + t * math.sqrt(max(gradient @ cov @ gradient, 0.0))) < 0

    if not surely_below_0(np.array([0.0, 0.0, 1.0])):
        return "no best speed shows: the curve does not surely bend down"
    slow, fast = (np.array([0.0, 1.0, 2 * at]) for at in ends)
    if not surely_below_0(-slow):
        return "the best speed is not surely above the slowest run-ups; bowl some slower ones"
    if not surely_below_0(fast):
        return "the best speed is not surely below the fastest run-ups that were bowled"
    return None


def _interval(u: np.ndarray, y: np.ndarray, rng: np.random.Generator, sure: float) -> tuple[float, float] | None:
    """Percentile interval of the optimum from resampled balls; None where too many resamples have no optimum."""
    n = len(u)
    x = np.vander(u, 3, increasing=True)
    times = rng.multinomial(n, np.full(n, 1 / n), RESAMPLES).astype(float)      # how often each ball is drawn
    squares = (times @ (x[:, :, None] * x[:, None, :]).reshape(n, 9)).reshape(-1, 3, 3)
    c = np.einsum("bij,bj->bi", np.linalg.pinv(squares, hermitian=True), times @ (x * y[:, None]))
    bent = c[:, 2] < 0
    if bent.mean() < (1 + sure) / 2:
        return None
    low, high = np.quantile(-c[bent, 1] / (2 * c[bent, 2]), [(1 - sure) / 2, (1 + sure) / 2])
    return float(low), float(high)
