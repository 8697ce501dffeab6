"""Bowling: the balls of one invented session, as the engine would have handed them to the log.

A measured number is the bowler's mean, plus what was planted, plus what goes on from ball to ball (each ball remembers
some of the one before), plus the error of measuring. Some balls were added by hand, some numbers not measured.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from creaseside import leg_action, rows
from creaseside.ball import QUANTITIES, Ball, Value
from creaseside.focus import Focus, judge
from creaseside.plan import FeedbackSchedule, Plan, feedback
from tests.season.planted import BALL_SPEED_SD, SCATTER, Bowler, scatter

LAG_1 = 0.2             # correlation of a ball with the one before it
UNMEASURED = 0.04       # share of a ball's numbers
BY_HAND = 0.01          # share of balls
DIM = 0.15              # share of sessions in poor light: larger errors, a flag
GATE_SD = 2.0           # half a gate, in standard deviations of a ball
REASONS = ("the foot was hidden", "the leg was hidden by somebody", "fewer than three looks after the contact")


@dataclass(frozen=True, slots=True)
class Bowled:
    """A ball with what the kiosk adds. kind: of its block, None in a free session; feedback: the plan's word."""

    ball: Ball
    kind: str | None
    feedback: str
    ball_speed_km_h: float | None
    source: str


def gate(bowler: Bowler) -> Focus:
    """Two posts round where the bowler is to get to (or stays)."""
    middle, half = bowler.means[bowler.measure] + bowler.effect, GATE_SD * scatter(bowler.measure)
    return Focus(bowler.measure, round(middle - half, 2), round(middle + half, 2))


def session(bowler: Bowler, plan: Plan | None, count: int, part: float, radar: bool,
            rng: np.random.Generator) -> list[Bowled]:
    """`count` balls at that part (0 to 1) of the season. radar: the ball's speed was read off and typed."""
    dim = rng.random() < DIM
    true = _true(bowler, [plan.at(n + 1).kind if plan else None for n in range(count)], part, rng)
    errors = {name: sd * rng.uniform(0.8, 1.3, count) * (1.5 if dim else 1.0) for name, (_, sd) in SCATTER.items()}
    seen = {name: x + errors[name] * rng.normal(size=count) for name, x in true.items()}
    unmeasured = {name: rng.random(count) < UNMEASURED for name in seen}
    by_hand = rng.random(count) < BY_HAND
    speeds = bowler.ball_speed(true["run_up_speed_m_s"]) + rng.normal(0, BALL_SPEED_SD, count)
    qualities = rng.beta(8 if not dim else 3, 2, count)
    focus, schedule, before, out = gate(bowler), FeedbackSchedule.for_age(bowler.age), [], []
    for n in range(count):
        spot = plan.at(n + 1) if plan else None
        if by_hand[n]:
            ball = rows.counted("added by hand")
        else:
            values = {name: Value.missing(REASONS[int(rng.integers(len(REASONS)))]) if unmeasured[name][n]
                      else Value(float(x[n]), float(errors[name][n])) for name, x in seen.items()}
            ball = _ball(bowler, values, judge(focus, values[focus.measure]) if spot else None,
                         float(qualities[n]), ("dim",) if dim else ())
        if spot and spot.starts:
            before = []
        given = feedback(schedule, spot, ball.verdict, before).word if spot and ball.verdict else "none"
        before.append(ball.verdict)
        out.append(Bowled(ball, spot and spot.kind, given, round(float(speeds[n]), 1) if radar else None,
                          "added by hand" if by_hand[n] else "seen"))
    return out


def _true(bowler: Bowler, kinds: list[str | None], part: float, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """{quantity: (n,)} before the error of measuring."""
    n = len(kinds)
    x = {name: bowler.means.get(name, 0.0) + sd * _remembering(n, rng) for name, (sd, _) in SCATTER.items()}
    x[bowler.measure] = x[bowler.measure] + [bowler.shift(kind, part) for kind in kinds]
    x["front_knee_min_deg"] = x["front_knee_ffc_deg"] - np.abs(x["front_knee_min_deg"])
    x["front_knee_br_deg"] = x["front_knee_min_deg"] + np.abs(x["front_knee_br_deg"])
    x["back_knee_min_deg"] = x["back_knee_bfc_deg"] - np.abs(x["back_knee_min_deg"])
    x["ffc_s"] = x["bfc_s"] + x["bfc_to_ffc_s"]
    x["br_s"] = x["ffc_s"] + x["ffc_to_br_s"]
    return x


def _remembering(n: int, rng: np.random.Generator) -> np.ndarray:
    """(n,) of mean 0 and sd 1, each correlated with the one before by LAG_1."""
    fresh = rng.normal(size=n)
    out = fresh.copy()
    for i in range(1, n):
        out[i] = LAG_1 * out[i - 1] + np.sqrt(1 - LAG_1 ** 2) * fresh[i]
    return out


def _ball(bowler: Bowler, values: dict[str, Value], verdict: str | None, quality: float,
          flags: tuple[str, ...]) -> Ball:
    values = {q.name: values[q.name] for q in QUANTITIES}
    action, reasons = leg_action.told(*(values[f"front_knee_{at}_deg"] for at in ("ffc", "min", "br")))
    return Ball(bowler.arm, values, action, quality, flags, verdict, reasons)
