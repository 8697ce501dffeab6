"""Pictures of a bowler from the demo net, for tests of what needs a body to look at."""
from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from creaseside.pose import Pose
from creaseside.stamps import Stamp
from kiosk import models
from kiosk.pose_model import PoseModel

NET = Path(__file__).parents[2] / "assets" / "demo" / "net.mp4"
LOOK_EVERY = 15   # frames
TALL_PX = 150     # a body that is far enough in the picture to be followed


@cache
def bowler(n: int) -> tuple[np.ndarray, ...]:
    """`n` neighbouring BGR frames, in all of which a whole body is in the picture."""
    if not NET.exists():
        pytest.skip(f"no demo footage at {NET}")
    tape, light, kept, last = cv2.VideoCapture(str(NET)), PoseModel(models.light_bundle(), "light"), [], 0
    while len(kept) < n:
        there, bgr = tape.read()
        assert there, f"{NET} shows no body for {n} frames on end"
        last += 1
        kept.append(bgr)
        looked_at = len(kept) in (1, n) or last % LOOK_EVERY == 0
        if looked_at and not _whole(light.pose(bgr, Stamp(last, last)), bgr):
            kept.clear()
    light.close()
    return tuple(kept)


def _whole(pose: Pose, bgr: np.ndarray) -> bool:
    height, width = bgr.shape[:2]
    x, y = pose.xy_px.T
    return bool(not pose.missing and x.min() > 40 and x.max() < width - 40 and y.max() < height and np.ptp(y) > TALL_PX)
