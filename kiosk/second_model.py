"""SecondModel: one picture in, one Pose out, by a model of another family than the one that measures.

It knows 17 of the landmarks, no feet and nothing in metres, and follows nobody: each picture is looked at alone, in a square round
where the body is sought, and whoever is most in the middle of that is taken for the body; then once more in a square that this body
fills. Of 160 drawn landings the front knee was 2.5 degrees off with that, 2.8 without (RMSE, beside what the measuring model says).
Its errors are its own, which is what a second look is for. A look takes twice 15 ms (measured).

This room compares nothing, mixes nothing and does not say whether a landmark is right.
"""
from __future__ import annotations

from pathlib import Path

import numpy as np

from creaseside.orders import Box
from creaseside.pose import INDEX, NAMES, SIDES, Pose
from creaseside.stamps import Stamp
from kiosk import memory
from kiosk.pose_model import hushed, inside, library

NAME = "second"      # goes into every Pose
Square = tuple[float, float, float]    # left, top, side
SQUARE = 256         # pixels: the side of the picture that the model was made for
KNOWN = (            # what it tells, in its order
    "nose", "left_eye", "right_eye", "left_ear", "right_ear", "left_shoulder", "right_shoulder", "left_elbow", "right_elbow",
    "left_wrist", "right_wrist", "left_hip", "right_hip", "left_knee", "right_knee", "left_ankle", "right_ankle",
)
WHERE = np.array([INDEX[name] for name in KNOWN])
LEGS = [KNOWN.index(f"{side}_{joint}") for side in SIDES for joint in ("hip", "knee", "ankle")]
SURE = 0.2           # from memory: the model's own documentation calls scores below 0.2 to 0.3 unreliable
FILLS = 1.25         # the square's side, in the longer side of the body's own box: 1.1 and 1.4 are 0.1 degrees worse (160 drawn landings)
FEET = 0.04          # of the body's height, under the ankles
BLUR = 0.45          # pixels of the made picture: what is finer than they are would flicker in it; common practice: about half of one
BLUR_REACHES = 3.0   # standard deviations: past them a Gaussian has 0.3 % of itself left


class SecondModel:
    """The body where it is sought in single pictures, by the model in `bundle`."""

    def __init__(self, bundle: Path) -> None:
        mediapipe = library()
        from mediapipe.tasks.python import BaseOptions, vision
        self._picture = lambda rgb: mediapipe.Image(image_format=mediapipe.ImageFormat.SRGB, data=rgb)
        with hushed():       # an embedder is the library's way of giving a model's numbers as they are
            self._embedder = vision.ImageEmbedder.create_from_options(vision.ImageEmbedderOptions(
                base_options=BaseOptions(model_asset_path=str(bundle)), l2_normalize=False, quantize=False))
            self._seen(np.zeros((SQUARE, SQUARE, 3), np.uint8))       # the first picture is slow: let it be this one
        memory.let_go(bundle)                                         # its weights were put in order elsewhere

    def pose(self, bgr: np.ndarray, stamp: Stamp, box_px: Box | None = None, sought_px: Box | None = None, hurry: bool = False) -> Pose:
        """The body in a (H, W, 3) BGR picture, in pixels of the whole picture.

        It looks at the square round `sought_px`, else round `box_px`, else round all of the picture (left, top, right, bottom): as long
        as the longer side, with the same middle, and black where it leaves the picture. Visibility is the model's score of each point.
        hurry: asked for as of `PoseModel`; no look of this model can do without its second part.
        """
        box = sought_px or box_px or inside(None, bgr)
        if not _overlaps(box, bgr):
            return Pose.nobody(stamp, NAME, "the box is outside the picture")
        found, scores = self._looked(bgr, _square(box))
        if scores[LEGS].mean() >= SURE:
            found, scores = self._looked(bgr, _filled(found))
        if scores[LEGS].mean() < SURE:
            return Pose.nobody(stamp, NAME, "no person seen")
        xy, visibility = np.full((len(NAMES), 2), np.nan, np.float32), np.zeros(len(NAMES), np.float32)
        xy[WHERE], visibility[WHERE] = found, scores
        return Pose(stamp, xy, np.full((len(NAMES), 3), np.nan, np.float32), visibility, NAME)

    def close(self) -> None:
        self._embedder.close()

    def _looked(self, bgr: np.ndarray, square: Square) -> tuple[np.ndarray, np.ndarray]:
        """Each point in the picture (17, 2), and its score (17,)."""
        left, top, side = square
        rows, columns, scores = self._seen(cut(bgr, *square)).T
        return np.stack([left + side * columns, top + side * rows], axis=1), scores

    def _seen(self, rgb: np.ndarray) -> np.ndarray:
        """(17, 3): row and column in sides of the square, and the score, of each point."""
        return np.asarray(self._embedder.embed(self._picture(rgb)).embeddings[0].embedding).reshape(len(KNOWN), 3)


def cut(bgr: np.ndarray, left: float, top: float, side: float) -> np.ndarray:
    """The square as a (256, 256, 3) RGB picture, black where it leaves the (H, W, 3) BGR one.

    Edges fall on edges: the corner of the made picture is (left, top), in pixels from the corner of the other.
    """
    import cv2
    zoom = SQUARE / side
    sigma = BLUR / zoom if zoom < 1 else 0.0
    reach = np.ceil(BLUR_REACHES * sigma) + 1
    from_x, from_y, to_x, to_y = inside((left - reach, top - reach, left + side + reach + 1, top + side + reach + 1), bgr)
    part = bgr[from_y:to_y, from_x:to_x]
    if sigma:
        part = cv2.GaussianBlur(part, (0, 0), sigma)
    middles = (zoom - 1) / 2       # warpAffine counts from the middle of the first pixel
    shift = np.array([[zoom, 0, zoom * (from_x - left) + middles], [0, zoom, zoom * (from_y - top) + middles]])
    return cv2.cvtColor(cv2.warpAffine(part, shift, (SQUARE, SQUARE), flags=cv2.INTER_LINEAR), cv2.COLOR_BGR2RGB)


def _filled(body: np.ndarray) -> Square:
    """The square that a body (17, 2) fills."""
    low, high = body.min(axis=0), body.max(axis=0)
    high[1] += FEET * (high[1] - low[1])
    side = FILLS * float((high - low).max())
    left, top = (low + high - side) / 2
    return float(left), float(top), side


def _square(box: Box) -> Square:
    """The one round the box."""
    left, top, right, bottom = box
    side = max(right - left, bottom - top)
    return (left + right - side) / 2, (top + bottom - side) / 2, side


def _overlaps(box: Box, bgr: np.ndarray) -> bool:
    left, top, right, bottom = inside(box, bgr)
    return right - left > 1 and bottom - top > 1
