"""What people do in a net besides bowling: jogging through it, and practising the action slowly on the spot.

Each act gives a mesh at seconds since it began. Feet stay put while jogging; they slide in the practice, as it is
the delivery's own motion with most of its travel taken out.
"""
from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.footage.bowler import Bowler, Mesh
from tests.footage.delivery import Delivery
from tests.footage.rotations import rz

CYCLE_S = (-1.78, -1.18)                       # one whole stride pair of the run-up
JOG_M_S, JOG_RATE = 3.2, 0.75
PRACTICE_S, PRACTICE_RATE, PRACTICE_TRAVEL = (-0.75, 0.60), 0.4, 0.25
BLEND_S, TURN_S = 0.35, 0.7


def moved(m: Mesh, by_m: np.ndarray) -> Mesh:
    return Mesh(m.V + by_m, m.F, m.C)


def blended(a: Mesh, b: Mesh, share: float) -> Mesh:
    """From a to b; both are the same person."""
    w = np.clip(share, 0, 1)
    w = w * w * (3 - 2 * w)
    return Mesh(a.V * (1 - w) + b.V * w, a.F, a.C)


class Jog:
    """A straight jog from x to x at a constant y, metres; the person faces where they go."""

    def __init__(self, d: Delivery, from_x_m: float, to_x_m: float, y_m: float) -> None:
        self._bowler = Bowler(replace(d, speed=JOG_M_S, approach=0.0, final=0.0))
        self._from, self._y, self.forward = from_x_m, y_m, to_x_m > from_x_m
        self.lasts_s = abs(to_x_m - from_x_m) / (JOG_M_S * JOG_RATE)
        first = self._bowler.joints(CYCLE_S[0])["pelvis"]
        self._start = np.array([first[0], first[1], 0])

    def mesh(self, since_s: float) -> Mesh:
        period = CYCLE_S[1] - CYCLE_S[0]
        cycles, into = divmod(since_s * JOG_RATE, period)
        m = self._bowler.mesh(CYCLE_S[0] + into)
        V = m.V - self._start + np.array([cycles * period * JOG_M_S, 0, 0])
        if not self.forward:
            V = V @ rz(180).T
        return Mesh(V + np.array([self._from, self._y, 0]), m.F, m.C)


class Practice:
    """The action without a run-up, slower than half, on the spot at (x, y): jogs in, does it, turns round, jogs out."""

    def __init__(self, d: Delivery, from_x_m: float, x_m: float, y_m: float) -> None:
        self._bowler, self._place = Bowler(d), np.array([x_m, y_m, 0])
        self._into, self._out = Jog(d, from_x_m, x_m, y_m), Jog(d, x_m, from_x_m, y_m)
        self._acts_s = (PRACTICE_S[1] - PRACTICE_S[0]) / PRACTICE_RATE
        self.lasts_s = self._into.lasts_s + self._acts_s + TURN_S + self._out.lasts_s

    def mesh(self, since_s: float) -> Mesh:
        u = since_s - self._into.lasts_s
        if u < 0:
            jog = self._into.mesh(since_s)
            return blended(jog, self._acting(0.0), 1 + u / BLEND_S) if u > -BLEND_S else jog
        if u < self._acts_s:
            return self._acting(u)
        u -= self._acts_s
        if u < TURN_S:
            return self._turning(u / TURN_S)
        return self._out.mesh(u - TURN_S)

    def _acting(self, u: float) -> Mesh:
        t = PRACTICE_S[0] + u * PRACTICE_RATE
        now, first = (self._bowler.joints(q)["pelvis"] * [1, 1, 0] for q in (t, PRACTICE_S[0]))
        return moved(self._bowler.mesh(t), self._place - now + PRACTICE_TRAVEL * (now - first))

    def _turning(self, share: float) -> Mesh:
        """Turns on the spot to face the way out, coming back to where it began."""
        ended = self._acting(self._acts_s)
        out = self._out.mesh(0.0)
        faced_ahead = Mesh((out.V - self._place) @ rz(180) + self._place, out.F, out.C)
        m = blended(ended, faced_ahead, share)
        return Mesh((m.V - self._place) @ rz(180 * share).T + self._place, m.F, m.C)
