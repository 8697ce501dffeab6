"""Legs: the knees of one logged ball through time, from its traces, for whoever looks back at it.

It shows how the logged numbers came about and replaces none of them: a knee at a contact is the log's.
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import Iterable, Mapping

import numpy as np

from creaseside import lane, measures, track
from creaseside.camera import Camera
from creaseside.pose import INDEX, OTHER, Pose

USUAL_RUN_M_S = 4.5      # to tell standing feet from moving ones, where no run-up speed was logged
FEWEST_LOOKS = 6


@dataclass(frozen=True, slots=True)
class Legs:
    """t_s (T,) on the stamps' axis; front_deg, back_deg (T,): signed knees, 180 straight, NaN unseen; leg_px (T, 3, 2):
    hip, knee and ankle of the front leg in the picture."""

    t_s: np.ndarray
    front_deg: np.ndarray
    back_deg: np.ndarray
    leg_px: np.ndarray


def legs(traces: Mapping[str, Iterable[Pose]], camera: Camera | None, arm: str, release_s: float,
         run_up_m_s: float | None = None) -> Legs | None:
    """Of one ball's looks by model, the heavy one's or else the light one's; None where there are too few. release_s: on the poses'
    own axis."""
    heavy, live, second = (track.of(traces.get(model, ())) for model in ("heavy", "light", "second"))
    close = track.cleaned(heavy or live)
    if len(close) < FEWEST_LOOKS:
        return None
    plane, front = lane.of(close, camera), OTHER[arm]
    seen = measures.closely(close, plane, arm, front, release_s, run_up_m_s or USUAL_RUN_M_S, len(heavy) > 0, track.cleaned(live), second)
    joints = [INDEX[f"{front}_{j}"] for j in ("hip", "knee", "ankle")]
    return Legs(close.t_s, seen.front_knee.read_deg, seen.back_knee_deg, close.xy_px[:, joints])
