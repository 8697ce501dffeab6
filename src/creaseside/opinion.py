"""Opinion: what a second pose model has to say of the front knee as it lands, beside what was read by the first.

The measuring model puts hip and knee of a leg a centimetre or two beside their place, and does so for a whole ball, so that more
looks of its own mend nothing. A model of another make, taught with other pictures, errs as well, but not together with it: of
what the two have between them part is the first one's error. Where they are far apart, both are trusted less.

As in `joints`, what the two have between them as usual was **measured on drawn bodies**.
"""
from __future__ import annotations

import numpy as np

from creaseside import joints
from creaseside.lane import Lane
from creaseside.track import Track

FROM_S, TO_S = -0.012, 0.040       # of the landing: looks that count
# What the second one reads straighter than the first, as usual: square on, and for each sine of the angle from behind; near leg, far leg
# (359 drawn balls, as all below).
USUAL_DEG = {True: (-1.6, 5.2), False: (-0.8, -2.7)}
# Of a knee's stated sd, what is left once both were heard; where they are farther apart than this, so much of what is beyond comes to it:
# 96 of 100 within 1.96 of it, 92 of 100 of 120 drawn later.
LEFT, FAR_APART_DEG, FAR_APART_SD = {True: 0.93, False: 0.84}, 4.5, 0.6
SHARE, MOST_DEG = {True: 0.4, False: 0.5}, 8.0       # of what is beyond, the first one's error; a slip counts for no more


def apart_deg(close: Track, read_deg: np.ndarray, second: Track | None, lane: Lane, front: str, landing_s: float) -> np.ndarray:
    """How much straighter than usual the second model has the front knee than `read_deg` (T,), what was read of it at the close
    looks: (T,), at those at which it did not look the middle one; NaN where it never did, or there is no camera."""
    apart = np.full(len(close), np.nan)
    if second is None or not lane.metric:
        return apart
    looks = [(i, k) for k, frame in enumerate(second.frame) for i in np.flatnonzero(close.frame == frame)
             if FROM_S < second.t_s[k] - landing_s < TO_S and np.isfinite(read_deg[i])]
    if not looks:
        return apart
    at, by = (np.array(numbers) for numbers in zip(*looks))
    marks = _same_leg(close.where(at), second.where(by), front)
    knee = marks[1]
    usual = np.polyval(USUAL_DEG[lane.is_near(front)][::-1], np.sin(np.arctan(lane.from_behind(knee))))
    apart[at] = joints.read_deg(lane, front, *marks) - read_deg[at] - usual
    return np.where(np.isfinite(apart), apart, np.nanmedian(apart))


def off_deg(apart_deg: np.ndarray, near: bool) -> np.ndarray:
    """What of that the knee was read too bent by."""
    return SHARE[near] * np.clip(np.nan_to_num(apart_deg), -MOST_DEG, MOST_DEG)


def left_sd_deg(sd_deg: float, apart_deg: np.ndarray, near: bool) -> float:
    """What a knee's sd by the first model is, once the second was heard."""
    return float(np.hypot(left(apart_deg, near) * sd_deg, far_apart_sd_deg(apart_deg)))


def left(apart_deg: np.ndarray, near: bool) -> float:
    """The share of the first model's sd that is left; all of it where the second was not heard."""
    return LEFT[near] if np.isfinite(apart_deg).any() else 1.0


def far_apart_sd_deg(apart_deg: np.ndarray) -> float:
    """What comes to it where the two are far apart."""
    middle = abs(float(np.nanmedian(apart_deg))) if np.isfinite(apart_deg).any() else 0.0
    return FAR_APART_SD * max(0.0, middle - FAR_APART_DEG)


def _same_leg(close: Track, second: Track, front: str) -> list[np.ndarray]:
    """Hip, knee and ankle (T, 2) pixels of the leg that the second model has where the first has the front one: names get mixed up."""
    def leg(track: Track, side: str) -> np.ndarray:
        return np.array([track[f"{side}_{joint}"] for joint in joints.JOINTS])
    own = leg(close, front)
    both = [leg(second, side) for side in ("left", "right")]
    off = [np.nansum(np.linalg.norm(one - own, axis=-1)[1:], axis=0) for one in both]
    return list(np.where((off[0] <= off[1])[None, :, None], *both))
