"""Finder: where in a live track a ball was bowled: an arm over the top, at the end of a run, with a foot planted in front.

Walking back goes the wrong way or has no arm; an action practised on the spot has no run; someone who crosses behind has
neither. This room gives candidates with coarse times, good enough to know which frames deserve a closer look.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from creaseside.lane import Lane
from creaseside.track import Track, height_px, local_line

OVER_TOP_DEG_S = 450.0    # a bowling arm passes the top at 900 to 1200 deg/s (rendered, and 20 m/s hand over 0.9 m); slow practice below 450
RUN_UP_M_S = 1.9          # plausible run-ups are 2 to 8 m/s; walking is 1.4 m/s
STRIDE_S = (0.36, 0.10)   # before release the hips still travel at four fifths of the run-up's speed
RUN_UP_S = (0.80, 0.26)   # the run itself is looked for this long before release
RUN_SEEN_S = 0.15         # at least this much must be in the picture
LANDING_S = (0.22, -0.04) # front foot contact lies this long before release; published 0.08 to 0.13 s, wide on purpose
FASTEST_DEG_S = 2500.0    # no arm; a slip of the model
SWING_S = 0.08            # the arm turns evenly for this long either side of the top
ARC_DEG, ARC_S = 55.0, 0.13   # a bowling arm is this far behind the top, and in front of it, within this time
ARM_SHARE = 0.22          # of the stature: an arm bent to a throw or a scratch of the head is shorter
AHEAD_M = 0.10            # the front foot lands in front of the hips
PLANTED_SHARE = 0.45      # of the run-up speed: a foot slower than this at a coarse frame rate is landing
SAME_BALL_S = 1.0         # two passes of an arm within this belong to one ball


@dataclass(frozen=True, slots=True)
class Candidate:
    """A ball, coarsely: release and front foot contact (s), bowling arm and front foot as labelled, run-up speed."""

    release_s: float
    landing_s: float
    arm: str
    front: str
    run_up_m_s: float


def find(track: Track, lane: Lane) -> list[Candidate]:
    """Every ball in the track, in order of time."""
    if len(track) < 6:
        return []
    angle = {arm: arm_angle_deg(track, lane, arm) for arm in ("left", "right")}
    found = [c for arm in ("left", "right") for t in _over_the_top(track, lane, arm)
             if (c := _ball_at(track, lane, arm, t)) is not None and _swung(track.t_s, [*angle.values()], t)]
    found.sort(key=lambda c: (not _swung(track.t_s, [angle[c.arm]], c.release_s),   # one arm all the way, not two mixed up;
                              c.arm == c.front, -c.release_s))                      # a bowler lands on the foot opposite that arm
    apart: list[Candidate] = []
    for c in found:                                     # a second circle of the arm, or the other arm going up, is the same ball
        if all(abs(c.release_s - other.release_s) > SAME_BALL_S for other in apart):
            apart.append(c)
    return sorted(apart, key=lambda c: c.release_s)


def arm_angle_deg(track: Track, lane: Lane, arm: str) -> np.ndarray:
    """Shoulder to wrist in the running plane, (T,) degrees from straight up, + forward, wrapped to ±180."""
    d = lane.flat(track[f"{arm}_wrist"]) - lane.flat(track[f"{arm}_shoulder"])
    return np.degrees(np.arctan2(d[:, 0], d[:, 1]))


def _over_the_top(track: Track, lane: Lane, arm: str) -> list[float]:
    """Times at which the arm passes straight up from behind, from the middle one of the lines through every pair of looks near by."""
    seen = np.isfinite(track[f"{arm}_wrist"]).all(1) & np.isfinite(track[f"{arm}_shoulder"]).all(1)
    track = track.where(seen)
    if len(track) < 4:
        return []
    angle = arm_angle_deg(track, lane, arm)
    d = lane.flat(track[f"{arm}_wrist"]) - lane.flat(track[f"{arm}_shoulder"])
    straight = np.linalg.norm(d, axis=1) > ARM_SHARE * height_px(track) * _m_per_px(track, lane)
    t, half = track.t_s, max(SWING_S, 1.3 * track.period_s())
    passed: list[float] = []
    for i in np.flatnonzero((np.abs(angle) < 70) & straight):
        near = np.flatnonzero(np.abs(t - t[i]) <= half)
        first, last = np.triu_indices(len(near), 1)
        turn = (angle[near[last]] - angle[near[first]] + 180) % 360 - 180
        if not len(turn) or not OVER_TOP_DEG_S < (speed := float(np.median(turn / (t[near[last]] - t[near[first]])))) < FASTEST_DEG_S:
            continue
        over = t[i] - float(np.median((angle[near] - speed * (t[near] - t[i]) + 180) % 360 - 180)) / speed
        if abs(over - t[i]) <= half and np.ptp(t[near]) < 2.5 * half:
            passed.append(over)
    groups = np.split(np.array(passed), np.flatnonzero(np.diff(passed) > 0.15) + 1) if passed else []
    return [float(np.median(g)) for g in groups if len(g)]


def _swung(t: np.ndarray, angles: list[np.ndarray], over: float) -> bool:
    """Whether an arm came from behind and went on to the front: the other arm, held up in the gather, does not."""
    before, after = (t > over - ARC_S) & (t < over), (t > over) & (t < over + ARC_S)
    return any((a[before] < -ARC_DEG).any() for a in angles) and any((a[after] > ARC_DEG).any() for a in angles)


def _m_per_px(track: Track, lane: Lane) -> float:
    """Metres that a pixel spans in the plane, about where the person is."""
    middle = np.nanmedian(track.middle("hip"), axis=0)
    pair = lane.flat(np.stack([middle, middle - [0.0, 50.0]]))
    return float(np.linalg.norm(pair[1] - pair[0]) / 50.0)


def travel_m_s(track: Track, lane: Lane, release_s: float, window_s: tuple[float, float]) -> float:
    """How fast the hips travel forward in a window before release; NaN where too little of it was seen."""
    part = track.between(release_s - window_s[0], release_s - window_s[1])
    hip = lane.flat(part.middle("hip"))
    ok = np.isfinite(hip).all(1)
    if ok.sum() < 4 or np.ptp(part.t_s[ok]) < RUN_SEEN_S:
        return float("nan")
    return float(np.polyfit(part.t_s[ok], hip[ok, 0], 1)[0])


def _ball_at(track: Track, lane: Lane, arm: str, release_s: float) -> Candidate | None:
    speed = travel_m_s(track, lane, release_s, STRIDE_S)
    if not speed > RUN_UP_M_S:
        return None
    landing = _landing(track, lane, release_s, speed)
    return Candidate(release_s, landing[0], arm, landing[1], speed) if landing else None


def _landing(track: Track, lane: Lane, release_s: float, speed: float) -> tuple[float, str] | None:
    """When and with which foot the bowler landed: the foot in front at release, and the first moment at which it stood."""
    near = track.between(release_s - LANDING_S[0] - 0.1, release_s - LANDING_S[1] + 0.06)
    if len(near) < 3:
        return None
    half = max(0.02, 1.05 * near.period_s())
    at, fastest = {}, {}
    for side in ("left", "right"):
        foot = (lane.flat(near[f"{side}_heel"]) + lane.flat(near[f"{side}_toe"])) / 2
        place, slope = local_line(near.t_s, foot, near.t_s, half, 1)
        at[side], fastest[side] = place[:, 0], np.linalg.norm(slope, axis=1)
    i = int(np.abs(near.t_s - release_s).argmin())
    front = max(at, key=lambda s: np.nan_to_num(at[s][i], nan=-np.inf))
    lead = at[front] - lane.flat(near.middle("hip"))[:, 0]
    landing = (near.t_s > release_s - 0.12) & (near.t_s < release_s + 0.02)      # by release the hips have come over the foot
    if not (lead[landing] > AHEAD_M).any():
        return None
    still = (fastest[front] < PLANTED_SHARE * speed) & (near.t_s >= release_s - LANDING_S[0]) & (near.t_s <= release_s - LANDING_S[1])
    return (float(near.t_s[still.argmax()]), front) if still.any() else None
