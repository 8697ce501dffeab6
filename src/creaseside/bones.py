"""Bones: how long the front leg looks as it lands beside the bowler's other leg, and what that says of its knee.

The legs of one body are of one length, and stay so. Where the landmarks of a leg lie closer together than usual, they lie
so that its knee is read too straight; where they lie farther apart, too bent. That is so for a whole ball, so that more looks
mend nothing, but how long the other leg looked meanwhile tells of it.

As the table of `joints`, the numbers in here were **measured on drawn bodies**, and say nothing of a real knee's bias: a body
of other landmarks reads a constant otherwise, which is kept small.
"""
from __future__ import annotations

import numpy as np

from creaseside import joints
from creaseside.lane import Lane
from creaseside.phases import Phases
from creaseside.track import Track

FROM_S, TO_S = -0.30, 0.07     # of the landing: the other leg is whole in the picture then, and mostly as far away
LANDED_S = 0.05                # after it, in which the front leg is looked at
MOST = 0.09                    # farther from usual than 19 of 20: a slip, which counts for no more
# Front leg over other leg, as usual; what a knee is read too straight by for each whole leg that it looks longer: at the landing (by
# the live looks' other leg), and later, with what it is read too straight by anyway. Near leg, far leg (240 drawn balls).
USUAL, LATE_USUAL = {True: 1.111, False: 1.012}, {True: 1.123, False: 1.019}
LANDING_DEG, LATE_DEG, LATE_BIAS_DEG = {True: -42.0, False: 0.0}, {True: -40.0, False: -95.0}, {True: -3.4, False: 0.0}


def off_deg(close: Track, live: Track, lane: Lane, when: Phases, late: np.ndarray) -> np.ndarray:
    """What the front knee is read too straight by at the close looks, (T,) degrees. late (T,): 0 as it lands, 1 when the table of
    `joints` is of no use any more. lane: the plane through the front foot; without a camera nothing is known."""
    if not lane.metric:
        return np.zeros(len(close))
    near, (by_live, by_close) = lane.is_near(when.front), shares(close, live, lane, when)
    landing = LANDING_DEG[near] * _beyond(by_live, USUAL[near])
    after = LATE_BIAS_DEG[near] + LATE_DEG[near] * _beyond(by_close, LATE_USUAL[near])
    return (1 - late) * landing + late * after


def shares(close: Track, live: Track, lane: Lane, when: Phases) -> tuple[float, float]:
    """The front leg as it lands, in its close looks, over the other leg in the delivery stride, in the live and in the close looks; NaN
    where either was not seen."""
    landing_s = when.ffc.value
    landed = close.between(landing_s, landing_s + LANDED_S)
    own = joints.leg_m(*joints.leg(lane, when.front, *(landed[f"{when.front}_{joint}"] for joint in joints.JOINTS)))

    def other(looks: Track) -> float:
        stride = looks.between(landing_s + FROM_S, landing_s + TO_S)
        return joints.leg_m(*(lane.flat(stride[f"{when.back}_{joint}"]) for joint in joints.JOINTS))
    return own / other(live), own / other(close)


def _beyond(found: float, usual: float) -> float:
    return float(np.clip(found - usual, -MOST, MOST)) if np.isfinite(found) else 0.0
