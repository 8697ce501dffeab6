"""Doubts: what about a ball's looks makes its numbers less sure, in the words that its flags have."""
from __future__ import annotations

from typing import Sequence

import numpy as np

from creaseside import measures, opinion
from creaseside.ball import Value
from creaseside.measures import Seen
from creaseside.pose import Pose
from creaseside.track import height_px

FAR_FROM_CREASE = "landed far from the crease: the camera may have been turned since its marks were placed"
LANDS_M, OFF_CREASE_M = 1.1, 0.8   # the middle of a front foot whose heel is behind the popping crease (Laws 7.3, 21.5), and nobody
                         # oversteps or hangs back by so much; a camera turned by 7 degrees at 7 m shows them as far off
DIM_FPS = 45.0           # below this a knee at the landing is good for a band, not for a number (60 fps the least, 120 better)
KNEE_SURE_SD_DEG = 2.2   # of 358 drawn balls 252 are beyond (2.6 degrees RMSE, 14 over 5 off); of the others (2.0) none is over 5 off, which a coach would act on
OFTEN, STRANGERS = 0.25, 0.15      # of the looks saw nobody; saw somebody else


def of(poses: Sequence[Pose], seen: Seen) -> list[str]:
    """All looks of a ball, and what of them was taken for the bowler's."""
    flags = []
    if not seen.lane.metric:
        flags.append("no marks")
    if not seen.heavy:
        flags.append("light model only")
    apart = np.diff(seen.track.t_s)
    if len(apart) and 1 / np.percentile(apart, 25) < DIM_FPS:
        flags.append("low frame rate")
    unseen = sum(p.missing is not None for p in poses)
    if unseen > OFTEN * len(poses):
        flags.append("often not seen")
    if any((p.missing or "").startswith("worker") for p in poses):
        flags.append("a pose process failed")
    if len(poses) - unseen - len(seen.track) > STRANGERS * len(poses):
        flags.append("someone else in the lane")
    if seen.front is not None and abs(seen.front.ground_m[0] - LANDS_M) > OFF_CREASE_M:
        flags.append(FAR_FROM_CREASE)
    return flags


def of_knee(seen: Seen, knee: Value) -> str | None:
    """What makes the front knee at the landing uncertain, where it is."""
    if not knee or knee.sd <= KNEE_SURE_SD_DEG:
        return None
    near, apart = measures.near(seen), seen.front_knee.apart_deg
    why = measures.leg_doubts(seen, seen.phases.front, seen.phases.ffc, measures.FRONT_OUT_SD)
    why["the bowler is small in the picture" if near else "it is the leg away from the camera"] = measures.body_sd_deg(height_px(seen.track), near)
    why = {reason: opinion.left(apart, near) * doubt for reason, doubt in why.items()}
    why["the two models see it differently"] = opinion.far_apart_sd_deg(apart)
    looks = knee.sd**2 - sum(doubt**2 for doubt in why.values())
    why["few looks at the landing, or they disagree"] = np.sqrt(max(looks, 0.0))
    return "knee uncertain: " + max(why, key=why.get)
