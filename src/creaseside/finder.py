"""Finder: where in a live track a ball was bowled: an arm over the top, at the end of a run, with a foot planted in front.

Walking back goes the wrong way or has no arm; an action practised on the spot has no run; someone who crosses behind has
neither. This room gives candidates with coarse times, good enough to know which frames deserve a closer look.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from creaseside import swing as swings
from creaseside.lane import Lane
from creaseside.pose import OTHER
from creaseside.swing import Swing
from creaseside.track import Track, local_line

RUN_UP_M_S = 1.9          # plausible run-ups are 2 to 8 m/s; walking is 1.4 m/s
STRIDE_S = (0.36, 0.10)   # before release the hips still travel at four fifths of the run-up's speed
RUN_UP_S = (0.80, 0.26)   # the run itself is looked for this long before release
RUN_SEEN_S = 0.15         # at least this much must be in the picture
LANDING_S = (0.22, -0.04) # front foot contact lies this long before release; published 0.08 to 0.13 s, wide on purpose
AHEAD_M = 0.10            # the front foot lands in front of the hips
PLANTED_SHARE = 0.45      # of the run-up speed: a foot slower than this at a coarse frame rate is landing
PLANTED_SHARE_PER_S = 4.0 # and more of it the farther the looks are apart: a stop between two of them is smeared
SAME_BALL_S = 1.0         # two passes of an arm within this belong to one ball

COMES_S, HIDDEN_S = (0.30, 0.12), (0.12, 0.02)   # before release: a front foot that comes, and one that lands and stands
HIDDEN_SHARE = 0.5       # of the looks; hidden in more of them it was not seen to stand
FORESEEN_S = 0.17        # from a landing to the release that it belongs to, at most (published: 0.08 to 0.13; live looks see it early)
USUAL_S = 0.10           # from landing to release (published: 0.08 to 0.13)
RUN_IN_S = 0.30          # the run's last stretch, whose speed tells when its end is reached
AHEAD_S = 0.15           # a landing is expected no earlier than this before it: pace and place change until then
SLOWER = 0.95            # than that, by the last stride (drawn)


@dataclass(frozen=True, slots=True)
class Candidate:
    """A ball, coarsely: release and front foot contact (s), bowling arm and front foot as labelled (empty: neither has been
    seen yet), run-up speed; `swing`: of that arm, as far as it was seen."""

    release_s: float
    landing_s: float
    arm: str
    front: str
    run_up_m_s: float
    swing: Swing | None = None


def find(track: Track, lane: Lane, arms_deg: np.ndarray | None = None) -> list[Candidate]:
    """Every ball in the track, in order of time. arms_deg: what `swing.straight_arms_deg` says of it, where it is known."""
    if len(track) < 6:
        return []
    found = [c for swing in swings.over_the_top(track, lane, arms_deg) if (c := _ball_at(track, lane, swing)) is not None]
    found.sort(key=lambda c: (c.arm == c.front, -c.swing.own / c.swing.looks))  # a bowler lands on the foot opposite the arm
    apart: list[Candidate] = []
    for c in found:                                  # a second circle of the arm, or the other arm going up, is the same ball
        if all(abs(c.release_s - other.release_s) > SAME_BALL_S for other in apart):
            apart.append(c)
    return sorted(apart, key=lambda c: c.release_s)


def foresee(track: Track, lane: Lane, arms_deg: np.ndarray | None = None) -> Candidate | None:
    """The ball that is just being bowled, while its arm is still on the way up: the landing has been seen, the release has not.

    A landing long before the release is none yet: the other arm goes up while the back foot lands.
    """
    if len(track) < 6:
        return None
    foreseen = [c for swing in swings.on_the_way(track, lane, arms_deg) if (c := _ball_at(track, lane, swing)) is not None
                and c.release_s - c.landing_s < FORESEEN_S]
    return foreseen[-1] if foreseen else None


def expect(track: Track, lane: Lane, lands_m: float) -> Candidate | None:
    """The ball that whoever runs in is going to bowl, before it can be seen: the front foot lands when the hips have come as
    far down the pitch as `lands_m`. None without marks, or where that is not about to be."""
    if not lane.metric:
        return None
    now_s = float(track.t_s[-1])
    part = track.between(now_s - RUN_IN_S, now_s)
    along = lane.flat(part.middle("hip"))[:, 0] + lane.point_m[0]
    ok = np.isfinite(along)
    if ok.sum() < 4 or np.ptp(part.t_s[ok]) < RUN_SEEN_S:
        return None
    speed, here = map(float, np.polyfit(part.t_s[ok] - now_s, along[ok], 1))
    ahead_s = (lands_m - here) / (SLOWER * speed) if speed > RUN_UP_M_S else np.inf
    landing_s = now_s + ahead_s
    return Candidate(landing_s + USUAL_S, landing_s, "", "", speed) if 0 < ahead_s < AHEAD_S else None


def travel_m_s(track: Track, lane: Lane, release_s: float, window_s: tuple[float, float]) -> float:
    """How fast the hips travel forward in a window before release; NaN where too little of it was seen."""
    part = track.between(release_s - window_s[0], release_s - window_s[1])
    hip = lane.flat(part.middle("hip"))
    ok = np.isfinite(hip).all(1)
    if ok.sum() < 3 or np.ptp(part.t_s[ok]) < RUN_SEEN_S:
        return float("nan")
    return float(np.polyfit(part.t_s[ok], hip[ok, 0], 1)[0])


def _ball_at(track: Track, lane: Lane, swing: Swing) -> Candidate | None:
    speed = travel_m_s(track, lane, swing.over_s, STRIDE_S)
    if not speed > RUN_UP_M_S:
        return None
    landing = _landing(track, lane, swing.over_s, speed) or _hidden_landing(track, swing)
    return Candidate(swing.over_s, landing[0], swing.arm, landing[1], speed, swing) if landing else None


def _landing(track: Track, lane: Lane, release_s: float, speed: float) -> tuple[float, str] | None:
    """When and with which foot the bowler landed: the foot in front at release, and the first moment at which it stood; where that
    one did not, the other, since in the follow-through the model takes one leg for the other."""
    near = track.between(release_s - LANDING_S[0] - 0.1, release_s - LANDING_S[1] + 0.06)
    if len(near) < 3:
        return None
    half = np.maximum(0.02, 1.05 * near.gap_s())
    at, fastest = {}, {}
    for side in ("left", "right"):
        foot = (lane.flat(near[f"{side}_heel"]) + lane.flat(near[f"{side}_toe"])) / 2
        place, slope = local_line(near.t_s, foot, near.t_s, half, 1)
        at[side], fastest[side] = place[:, 0], np.linalg.norm(slope, axis=1)
    both = np.isfinite(at["left"] + at["right"])         # a foot that is not seen would pass for the one behind
    i = int(np.where(both | ~both.any(), np.abs(near.t_s - release_s), np.inf).argmin())
    hips = lane.flat(near.middle("hip"))[:, 0]
    landing = (near.t_s > release_s - 0.12) & (near.t_s < release_s + 0.02)      # by release the hips have come over the foot
    in_time = (near.t_s >= release_s - LANDING_S[0]) & (near.t_s <= release_s - LANDING_S[1])
    slow = np.minimum(PLANTED_SHARE + PLANTED_SHARE_PER_S * near.gap_s(), 0.75) * speed
    for front in sorted(at, key=lambda s: -np.nan_to_num(at[s][i], nan=-np.inf)):
        still = (fastest[front] < slow) & in_time
        if (at[front] - hips > AHEAD_M)[landing].any() and still.any():
            return float(near.t_s[still.argmax()]), front
    return None


def _hidden_landing(track: Track, swing: Swing) -> tuple[float, str] | None:
    """About when the front foot landed where something was before it, at the usual time before release; None where it was seen,
    or was not seen to come: an arm over the top may be a throw."""
    front = OTHER[swing.arm]

    def seen(first_s: float, last_s: float) -> np.ndarray:
        part = track.between(swing.over_s - first_s, swing.over_s - last_s)
        return np.isfinite(part[f"{front}_heel"] + part[f"{front}_toe"]).all(1)

    before, landing = seen(*COMES_S), seen(*HIDDEN_S)
    hidden = len(landing) >= 2 and landing.mean() < HIDDEN_SHARE
    return (swing.over_s - USUAL_S, front) if hidden and before.sum() >= 2 else None
