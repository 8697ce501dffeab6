"""Standing: what the knee reads where it is known to be straight, as in a gait laboratory's static trial.

The player stands tall for two seconds, facing the batter's end, so that the camera sees them from the side. The reading is that
player's own zero with that camera: it holds what the model's joints are beside the body's, for that body and those clothes.
The landmarks are taken as they are: the table of `joints` was made for a front leg as it lands, and of 75 drawn trials it turned
the readings of near legs by 11 degrees for each sine of the view (4.9 degrees RMSE with it, 2.4 without; of far ones 3.3 and 3.7).
Values are never changed in here or in the log; `corrected` says what a ball would read against the zero that held for it.
"""
from __future__ import annotations

import hashlib

import numpy as np

from creaseside import bones, joints, opinion
from creaseside import lane as lanes
from creaseside.ball import Value
from creaseside.camera import Camera
from creaseside.lane import FOOT_POINT_HEIGHT_M
from creaseside.track import Track, most_sd

LEAST_S, LEAST_LOOKS = 1.5, 12      # of the two seconds; and looks, so that one slip counts for little
GAP_S = 0.4                         # a longer one, and the leg was away
STILL_M = 0.04                      # the hips sway by 1 to 2 cm in quiet standing (common practice, no source)
TALL_DEG = (160.0, 195.0)           # outside it the knee is bent, or not this player's; the model's own error is within 10
ALIKE_S = 0.25                      # looks nearer than this repeat each other's error
NEAR_SD_DEG, FAR_SD_DEG = 1.8, 3.2  # how far the readings of straight legs stray, of the camera's side and of the other, which stands
                                    # behind it, from body to body and from view to view (75 drawn trials)
READ = "landmarks as they are"      # the way of reading a zero, for `edition`


def edition() -> str:
    """Which way a zero is read, and by which tables its balls' knees: what was read otherwise is not to be set against these."""
    return hashlib.sha256(f"{READ} {joints.edition()} {bones.LANDING_DEG} {bones.USUAL} {opinion.USUAL_DEG} {opinion.SHARE}".encode()).hexdigest()[:12]


def zero(track: Track, camera: Camera | None, side: str) -> Value:
    """What the `side` knee reads, degrees, with the sd of its mean; or why it cannot be told."""
    if camera is None:
        return Value.missing("no marks: a standing zero belongs to a camera whose place is known")
    seen = np.isfinite(track[f"{side}_hip"] + track[f"{side}_knee"] + track[f"{side}_ankle"]).all(1)
    track = track.where(seen)
    if len(track) < LEAST_LOOKS or track.t_s[-1] - track.t_s[0] < LEAST_S or np.diff(track.t_s).max() > GAP_S:
        return Value.missing("the whole leg was not seen for two seconds")
    lane = lanes.of(track, camera)
    hips = lane.flat(track.middle("hip"))
    if float(np.nanmax(np.nanstd(hips, axis=0))) > STILL_M:
        return Value.missing("not standing still")
    foot = (track[f"{side}_heel"] + track[f"{side}_toe"]) / 2
    place = np.nanmedian(camera.on_ground(foot, FOOT_POINT_HEIGHT_M), axis=0)
    lane = lane.through(place, 0.0)
    if float(np.nanmedian(lane.flat(track[f"{side}_toe"])[:, 0] - lane.flat(track[f"{side}_heel"])[:, 0])) <= 0:
        return Value.missing("not facing the batter's end")
    angle = joints.signed_deg(*(lane.flat(track[f"{side}_{joint}"]) for joint in joints.JOINTS))
    middle = float(np.median(angle))
    if not TALL_DEG[0] <= middle <= TALL_DEG[1]:
        return Value.missing("the knee was bent: stand tall")
    of_mean = most_sd(angle) / np.sqrt((track.t_s[-1] - track.t_s[0]) / ALIKE_S)
    return Value(middle, float(np.hypot(of_mean, NEAR_SD_DEG if lane.is_near(side) else FAR_SD_DEG)))


def corrected(knee: Value, straight: Value) -> Value:
    """A knee against the player's own zero: 180 is as straight as they stood. The sd grows by the zero's own."""
    if not (knee and straight):
        return knee if not knee else straight
    return Value(knee.value + 180.0 - straight.value, float(np.hypot(knee.sd or 0.0, straight.sd or 0.0)))
