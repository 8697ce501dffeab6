"""Pose: the named landmarks of one person in one frame, as the pose model gave them.

Image axes: x right, y down, pixels of the whole frame, (0, 0) the top-left corner of the image. Left and right are the
person's own. A landmark that was not given is NaN. This room holds no opinion on whether a landmark is right.
"""
from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from creaseside.stamps import Stamp

NAMES = (
    "nose", "left_eye_inner", "left_eye", "left_eye_outer", "right_eye_inner", "right_eye", "right_eye_outer",
    "left_ear", "right_ear", "mouth_left", "mouth_right", "left_shoulder", "right_shoulder", "left_elbow", "right_elbow",
    "left_wrist", "right_wrist", "left_pinky", "right_pinky", "left_index", "right_index", "left_thumb", "right_thumb",
    "left_hip", "right_hip", "left_knee", "right_knee", "left_ankle", "right_ankle", "left_heel", "right_heel",
    "left_toe", "right_toe",
)
INDEX = {name: i for i, name in enumerate(NAMES)}
SIDES = ("left", "right")
OTHER = {"left": "right", "right": "left"}
LEFTWARDS = {"left": 1.0, "right": -1.0}     # which way a side is from the middle of the body
MIRROR = np.array([INDEX[n.replace("left", "#").replace("right", "left").replace("#", "right")] for n in NAMES])


@dataclass(frozen=True, slots=True)
class Pose:
    """One person in one frame.

    xy_px: (33, 2) float32, pixels of the whole frame; NaN where not given.
    world_m: (33, 3) float32, the model's own guess at the body in metres (x right, y down, z away from the camera, origin
    between the hips); coarse, kept for depth only.
    visibility: (33,) float32 in 0..1, the model's word, not ours.
    sole_px: (2, 2) float32, in the order of SIDES: the lower edge of the foot in the picture, half-way from heel to toe; NaN where it
    was not seen or not looked for. It is no landmark and is not kept with them.
    model: "light" (the live track), "heavy" (the frames that are measured) or "second" (another maker's, at the landing, which knows
    neither heels nor toes).
    missing: why there is no person in this frame, else None; then every landmark is NaN.
    """

    stamp: Stamp
    xy_px: np.ndarray
    world_m: np.ndarray
    visibility: np.ndarray
    model: str
    missing: str | None = None
    sole_px: np.ndarray = field(default_factory=lambda: np.full((len(SIDES), 2), np.nan, np.float32))

    def __post_init__(self) -> None:
        for array in (self.xy_px, self.world_m, self.visibility, self.sole_px):
            array.setflags(write=False)

    @classmethod
    def nobody(cls, stamp: Stamp, model: str, why: str) -> Pose:
        n = len(NAMES)
        return cls(stamp, np.full((n, 2), np.nan, np.float32), np.full((n, 3), np.nan, np.float32),
                   np.zeros(n, np.float32), model, why)

    def __getitem__(self, name: str) -> np.ndarray:
        """The landmark's (x, y) in pixels."""
        return self.xy_px[INDEX[name]]
