"""Plain: how a knee is read without this program: the pose model over the whole clip, told nothing, and the angle in
the picture at the frame nearest to front foot contact. It is even given the moment and the leg, from the truth.

Only there to be compared with; nothing else uses it.
"""
from __future__ import annotations

import multiprocessing as mp
from pathlib import Path
from typing import Any, Mapping, Sequence

from creaseside.joints import included_deg
from creaseside.pose import Pose

AFTER_S = 0.1                                 # later frames are nearest to no landing
FRONT = {"right": "left", "left": "right"}    # the bowling arm -> the leg that lands in front


def knees(clips: Sequence[tuple[Path, Sequence[Mapping[str, Any]]]], bundle: Path, model: str,
          workers: int = 2) -> list[list[float | None]]:
    """For every (clip, its true balls) the front knee of each ball as the plain way reads it, degrees, None where it
    saw nobody. Clips are spread over processes."""
    with mp.get_context("spawn").Pool(min(workers, len(clips))) as pool:
        return pool.starmap(knees_of, [(clip, balls, bundle, model) for clip, balls in clips], chunksize=1)


def knees_of(clip: Path, balls: Sequence[Mapping[str, Any]], bundle: Path, model: str) -> list[float | None]:
    from kiosk.pose_model import PoseModel
    from kiosk.sources.tape import Tape
    from kiosk.watcher import NICE
    _nice(NICE)
    nearest: list[tuple[float, float | None]] = [(float("inf"), None)] * len(balls)
    last_s = max((ball["ffc_s"] for ball in balls), default=0.0) + AFTER_S
    with Tape(clip, paced=False) as tape:
        eye = PoseModel(bundle, model, max(1, round(1000 / tape.fps)))
        for stamp, bgr in tape.frames():
            if stamp.t_s > last_s:
                break
            pose = eye.pose(bgr, stamp)
            for i, ball in enumerate(balls):
                if (apart := abs(stamp.t_s - ball["ffc_s"])) < nearest[i][0]:
                    nearest[i] = apart, None if pose.missing else knee_deg(pose, FRONT[ball["arm"]])
        eye.close()
    return [angle for _, angle in nearest]


def knee_deg(pose: Pose, side: str) -> float:
    return float(included_deg(*(pose[f"{side}_{joint}"] for joint in ("hip", "knee", "ankle"))))


def _nice(by: int) -> None:
    import os
    if hasattr(os, "nice"):
        os.nice(by)
