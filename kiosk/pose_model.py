"""PoseModel: one picture in, one Pose out; the pose library is met here and nowhere else.

The library tracks: it looks for a body with a detector, then follows it from landmarks to landmarks at half the cost.
It also smooths over time, which pulls a fast leg towards where it was and bends a knee that is straight for a moment:
on the rendered clips the knee's RMSE round the landing was 3.7 to 5.1 deg with it and 2.3 to 3.6 deg without it at the
same cost (heavy model, four clips at 120 fps, measured; on a fifth, at 60 fps, it was 2.5 with and 3.5 without). There
is no switch for it, but the filter's strength falls with the time between frames; so frames are handed over as if hours
apart. Only their order matters to the tracking.

This room smooths nothing, repairs nothing and does not say whether a landmark is right.
"""
from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path
from types import ModuleType
from typing import Iterator

import numpy as np

from creaseside.orders import Box
from creaseside.pose import INDEX, SIDES, Pose
from creaseside.stamps import Stamp
from kiosk import memory

STEP_MS = 10**7        # 2.8 h: the filter (cut-off 0.05 Hz at rest) then keeps less than 0.04 % of the frame before
ASIDE, AMID = 0.2, 0.2   # of the width of the box in which a body is sought: whose hips are so far from its middle may be another, and
                       # as far to either side of it is searched again
LAST_MS = 9 * 10**15   # the library counts microseconds in 64 bits


class PoseModel:
    """One body followed through the pictures of one view, by the model in `bundle`; `name` goes into every Pose.

    step_ms: what the library is told to be the time between frames; the usual one keeps it from smoothing.
    """

    def __init__(self, bundle: Path, name: str, step_ms: int = STEP_MS) -> None:
        mediapipe = library()
        from mediapipe.tasks.python import BaseOptions, vision
        self.name, self._step_ms = name, step_ms
        self._picture = lambda rgb: mediapipe.Image(image_format=mediapipe.ImageFormat.SRGB, data=rgb)
        self._make = lambda: vision.PoseLandmarker.create_from_options(vision.PoseLandmarkerOptions(
            base_options=BaseOptions(model_asset_path=str(bundle)), running_mode=vision.RunningMode.VIDEO,
            output_segmentation_masks=False))
        self._box: Box | None = None
        self._following = self._met = False   # a body now; ever
        self._t_ms = 0
        with hushed():
            self._landmarker = self._make()
        self._seen(np.zeros((64, 64, 3), np.uint8))   # the first picture is slow: let it be this one
        memory.let_go(bundle)                         # its weights were put in order elsewhere: 60 MiB of the heavy one's file

    def pose(self, bgr: np.ndarray, stamp: Stamp, box_px: Box | None = None, sought_px: Box | None = None,
             hurry: bool = False) -> Pose:
        """The body in a (H, W, 3) BGR picture, in pixels of the whole picture, wherever in it `box_px` is.

        `box_px`: look only there (left, top, right, bottom). Another box than before is a new start, like `reset`.
        `sought_px`: a body that is not followed yet is looked for only there; whoever else is in the box is not taken for it.
        `hurry`: a body that was just found is not posed a second time.
        """
        import cv2
        if box_px != self._box:
            self.reset()
            self._box = box_px
        left, top, right, bottom = inside(box_px, bgr)
        if right - left < 2 or bottom - top < 2:
            return Pose.nobody(stamp, self.name, "the box is outside the picture")
        rgb = cv2.cvtColor(bgr[top:bottom, left:right], cv2.COLOR_BGR2RGB)
        found = self._settled(rgb, sought_px and (sought_px[0] - left, sought_px[1] - top, sought_px[2] - left, sought_px[3] - top), hurry)
        if not found.pose_landmarks:
            return Pose.nobody(stamp, self.name, "no person seen")
        marks = found.pose_landmarks[0]
        xy = np.array([(m.x, m.y) for m in marks]) * (right - left, bottom - top) + (left, top)
        world = np.array([(m.x, m.y, m.z) for m in found.pose_world_landmarks[0]], np.float32)
        return Pose(stamp, xy.astype(np.float32), world, np.array([m.visibility for m in marks], np.float32), self.name)

    def reset(self) -> None:
        """Forget whom it followed: the next picture is searched. An empty picture does it, at the cost of a look."""
        if self._following:
            self._seen(np.zeros((64, 64, 3), np.uint8))

    def close(self) -> None:
        self._landmarker.close()

    def _settled(self, rgb: np.ndarray, sought: Box | None, hurry: bool):
        """What is found in the picture, by following; `sought`: where in it is searched.

        A body that was just found is posed again from its own landmarks, which place it better than the detector does;
        a body that was just lost is searched for in the same picture.
        """
        followed = self._following
        found = self._seen(rgb) if followed else self._searched(rgb, sought, hurry)
        if self._following != followed and not (self._following and hurry):
            again = self._seen(rgb) if self._following else self._searched(rgb, sought, hurry)
            return again if again.pose_landmarks else found
        return found

    def _searched(self, rgb: np.ndarray, sought: Box | None, hurry: bool):
        """The body in the middle of where it is sought: whoever is found to one side of that is somebody else where there is one.

        hurry: who is not found there is looked for in all of the picture at once; with time, the next picture may show them.
        """
        if sought is None:
            return self._seen(rgb)
        found = self._seen(_only(rgb, sought))
        if not found.pose_landmarks:
            return self._seen(rgb) if hurry else found
        if abs(_aside(found, rgb, sought)) < ASIDE:
            return found
        self.reset()
        amid = self._seen(_only(rgb, _amid(sought)))
        return amid if amid.pose_landmarks else self._seen(_only(rgb, sought))

    def _seen(self, rgb: np.ndarray):
        if self._t_ms > LAST_MS:
            self._landmarker.close()
            self._landmarker, self._t_ms = self._make(), 0
        self._t_ms += self._step_ms
        with contextlib.nullcontext() if self._met else hushed():
            found = self._landmarker.detect_for_video(self._picture(rgb), self._t_ms)
        self._following = bool(found.pose_landmarks)
        self._met |= self._following
        return found


def _aside(found, rgb: np.ndarray, sought: Box) -> float:
    """How far from the middle of the box the hips are, in widths of it."""
    hips_px = rgb.shape[1] * np.mean([found.pose_landmarks[0][INDEX[f"{side}_hip"]].x for side in SIDES])
    left, _, right, _ = sought
    return float((hips_px - (left + right) / 2) / (right - left))


def _amid(sought: Box) -> Box:
    """The middle of the box."""
    left, top, right, bottom = sought
    edge = (0.5 - AMID) * (right - left)
    return int(left + edge), top, int(right - edge), bottom


def _only(rgb: np.ndarray, box: Box) -> np.ndarray:
    """The picture with all that is outside of the box in black."""
    left, top, right, bottom = inside(box, rgb)
    only = np.zeros_like(rgb)
    only[top:bottom, left:right] = rgb[top:bottom, left:right]
    return only


def inside(box_px: Box | None, bgr: np.ndarray) -> Box:
    """The box as far as it lies in the picture; all of it without one."""
    height, width = bgr.shape[:2]
    left, top, right, bottom = box_px or (0, 0, width, height)
    return max(0, int(left)), max(0, int(top)), min(width, int(right)), min(height, int(bottom))


def library() -> ModuleType:
    """The pose library, without the plotting and the sound library that it imports along and that nothing here asks it for:
    with them it takes 1.4 s of a processor to import in the place of 0.3, and 32 MiB more (measured)."""
    left_out = {name: known for name, known in (("matplotlib", ModuleType("matplotlib")),
                                                ("matplotlib.pyplot", ModuleType("matplotlib.pyplot")),
                                                ("sounddevice", None)) if name not in sys.modules}
    sys.modules.update(left_out)
    try:
        import mediapipe
    finally:
        for name in left_out:
            del sys.modules[name]
    return mediapipe


@contextlib.contextmanager
def hushed() -> Iterator[None]:
    """The library's chatter, at its start and at its first body, goes past Python to stderr: not to people."""
    sys.stderr.flush()
    kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)
