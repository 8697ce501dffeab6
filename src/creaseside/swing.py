"""Swing: an arm that goes over the top, as a straight line of its angle in time, found among looks some of which are wrong.

A model takes one arm for the other, most of all as the arms pass each other in the picture, so a look may hold the bowling
arm under either name: the line is laid through both names' angles, and the name that it meets oftener is the arm's. This
room does not know who runs or lands.
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import Callable

import numpy as np

from creaseside.lane import Lane
from creaseside.pose import LEFTWARDS, OTHER, SIDES
from creaseside.track import ARMS, Track, height_px

SLOWEST_DEG_S = 600.0     # a bowling arm passes the top at 900 to 1200 deg/s (rendered; a hand at 20 m/s over 0.9 m): slow practice below
FASTEST_DEG_S = 2000.0    # a hand at 25 m/s over 0.72 m; faster is no arm but a slip of the model
BEHIND_DEG, FRONT_DEG = -160.0, 125.0   # between these an arm turns evenly, about the top (0)
REACH_S = 0.17            # and for this long either side of it
PAIR_S = 0.16             # looks that are farther apart than this say nothing of what the arm did between them
OFF_DEG = 24.0            # a look this far off the line shows something else (10 cm at the hand is 10 degrees)
SHARE = 0.65              # of the looks must lie on the line,
FEWEST = 3                # and at least so many,
ARC_DEG = 45.0            # from this far behind the top to this far in front: an arm held up in the gather does not
RISEN_DEG = -100.0        # an arm on its way up has come so far: a tenth of a second before the top, less than a look's doubt
RISE_DEG = 50.0           # and so much of the way was seen
ARM_SHARE = 0.22          # of the stature: an arm bent to a throw or a scratch of the head is shorter
ARM_ASIDE = 0.5           # of an arm's length it is out to the side at most, from behind to the top (rendered: 0.2 to 0.5): a camera that
MOST_ASLANT = 1.0         # stands aslant sees it shorter by the tangent of that; beyond 45 degrees nothing of a ball is to be told
WRIST_OUT_M = 0.11        # over the top it is a sixth to a quarter of its length out, to the bowling side (rendered)
SAME_S = 0.12             # lines that meet the top no farther apart are one swing


@dataclass(frozen=True, slots=True)
class Swing:
    """`over_s`: when the arm points straight up; `deg_s`: how fast it turns; `arm`: its name in
    most of the looks on the line, `own` of `looks`."""

    over_s: float
    deg_s: float
    arm: str
    own: int
    looks: int


def arm_angle_deg(track: Track, lane: Lane, arm: str) -> np.ndarray:
    """Shoulder to wrist in the running plane, (T,) degrees from straight up, + forward, wrapped to ±180."""
    d = _along_up(track, lane, arm)
    return np.degrees(np.arctan2(d[:, 0], d[:, 1]))


def _along_up(track: Track, lane: Lane, arm: str) -> np.ndarray:
    """Shoulder to wrist, (T, 2) metres along and up."""
    return lane.flat(track[f"{arm}_wrist"], LEFTWARDS[arm] * WRIST_OUT_M) - lane.flat(track[f"{arm}_shoulder"])


def over_the_top(track: Track, lane: Lane, arms_deg: np.ndarray | None = None) -> list[Swing]:
    """Every swing over the top, in order of time. arms_deg: what `straight_arms_deg` says of the same, where it is known."""
    return _swings(track, lane, arms_deg, _crossings, _passed)


def on_the_way(track: Track, lane: Lane, arms_deg: np.ndarray | None = None) -> list[Swing]:
    """Every swing of which only the way up has been seen, in order of time: when the arm is going to be at the top."""
    return _swings(track, lane, arms_deg, _rises, _risen)


def told_apart(track: Track, lane: Lane, swing: Swing) -> Track:
    """The same track, in which looks whose arm is off the line of that swing have the other one for it, where that is nearer. An
    arm that was not seen is not the other."""
    told = swing.deg_s * (track.t_s - swing.over_s)
    own, other = (np.abs(turned_deg(arm_angle_deg(track, lane, arm) - told)) for arm in (swing.arm, OTHER[swing.arm]))
    return track.crossed(np.flatnonzero((told > BEHIND_DEG) & (told < FRONT_DEG) & (own > OFF_DEG) & (other < own)), ARMS)


def turned_deg(angle: np.ndarray, middle: float = 0.0) -> np.ndarray:
    """The same angles within half a turn of `middle`."""
    return (angle - middle + 180.0) % 360.0 - 180.0 + middle


def _swings(track: Track, lane: Lane, angle: np.ndarray | None, lines: Callable, seen_enough: Callable[[np.ndarray], bool]) -> list[Swing]:
    if len(track) < FEWEST:
        return []
    angle = straight_arms_deg(track, lane) if angle is None else angle
    best: list[tuple[float, Swing]] = []
    for over, speed in lines(track.t_s, angle):
        if (swing := _on_line(track.t_s, angle, over, speed, seen_enough)) is not None:
            best.append((swing[0], swing[1]))
    best.sort(key=lambda b: -b[0])
    apart: list[Swing] = []
    for _, swing in best:
        if all(abs(swing.over_s - other.over_s) > SAME_S for other in apart):
            apart.append(swing)
    return sorted(apart, key=lambda s: s.over_s)


def straight_arms_deg(track: Track, lane: Lane) -> np.ndarray:
    """Both arms' angles as `arm_angle_deg`, (2, T) in the order of SIDES; NaN where an arm is bent or unseen."""
    middle = track.middle("hip")
    middle = np.median(middle[np.isfinite(middle).all(1)], axis=0) if np.isfinite(middle).any() else np.full(2, np.nan)
    pair = lane.flat(np.stack([middle, middle - [0.0, 50.0]]))
    stature = height_px(track) * float(np.linalg.norm(pair[1] - pair[0]) / 50.0)
    return np.stack([_straight_arm_deg(track, lane, side, stature) for side in SIDES])


def _straight_arm_deg(track: Track, lane: Lane, side: str, stature: float) -> np.ndarray:
    d = _along_up(track, lane, side)
    aslant = np.minimum(np.nan_to_num(lane.aslant(track[f"{side}_shoulder"])), MOST_ASLANT)
    angle = np.degrees(np.arctan2(d[:, 0], d[:, 1]))
    return np.where(np.linalg.norm(d, axis=1) > ARM_SHARE * (1 - ARM_ASIDE * aslant) * stature, angle, np.nan)


def _crossings(t: np.ndarray, angle: np.ndarray) -> list[tuple[float, float]]:
    """(when, how fast) of every line through a look with an arm behind the top and a later one with an arm in front of it."""
    out = []
    t, both = t.tolist(), angle.T.tolist()           # plain numbers: one by one they are much faster than an array's
    for i, here in enumerate(both):
        for a in here:
            if not BEHIND_DEG < a <= 0:
                continue
            for j in range(i + 1, len(t)):
                step = t[j] - t[i]
                if step > PAIR_S:
                    break
                out += [(t[i] - a / (b - a) * step, (b - a) / step) for b in both[j]
                        if 0 < b < FRONT_DEG and SLOWEST_DEG_S < (b - a) / step < FASTEST_DEG_S]
    return out


def _rises(t: np.ndarray, angle: np.ndarray) -> list[tuple[float, float]]:
    """The same of every line through two of the latest looks with an arm behind the top."""
    out = []
    late = np.flatnonzero(t >= t[-1] - PAIR_S).tolist()
    t, both = t.tolist(), angle.T.tolist()
    for n, i in enumerate(late):
        for j in late[n + 1:]:
            step = t[j] - t[i]
            out += [(t[i] - a / (b - a) * step, (b - a) / step) for a in both[i] for b in both[j]
                    if BEHIND_DEG < a < b <= 0 and SLOWEST_DEG_S < (b - a) / step < FASTEST_DEG_S]
    return out


def _passed(arc: np.ndarray) -> bool:
    return arc.min() <= -ARC_DEG and arc.max() >= ARC_DEG


def _risen(arc: np.ndarray) -> bool:
    return arc.max() >= RISEN_DEG and np.ptp(arc) >= RISE_DEG


def _on_line(t: np.ndarray, angle: np.ndarray, over: float, speed: float, seen_enough: Callable[[np.ndarray], bool]
             ) -> tuple[float, Swing] | None:
    """The swing along that line with its score, or None where too few looks lie on it, or too short an arc of them."""
    told = speed * (t - over)
    near = (np.abs(t - over) <= REACH_S) & (told > BEHIND_DEG) & (told < FRONT_DEG)
    off = np.abs(turned_deg(angle[:, near] - told[near]))
    both = np.isfinite(off).all(0)
    off = np.where(np.isfinite(off), off, 180.0)
    least = off.min(0)
    fits = least < OFF_DEG
    n = int(fits.sum())
    against = int((both & ~fits).sum())                     # a look with an arm unseen or bent says nothing against the line
    if n < FEWEST or n < SHARE * (n + against):
        return None
    arc = told[near][fits]
    if not seen_enough(arc):
        return None
    own = (off[:, fits] < OFF_DEG).sum(1)
    arm = int(own.argmax())
    score = n - float((least[fits] / OFF_DEG) @ (least[fits] / OFF_DEG)) / 2
    return score, Swing(float(over), float(speed), SIDES[arm], int(own[arm]), n)
