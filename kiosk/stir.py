"""Stir: whether anything moves in the picture, from two small grey pictures of it: cheap enough to ask ten times a second.

It is asked only while nobody was seen. It knows no people: a ball, a net in the wind and a door stir the picture too, and
then the pose model looks.
"""
from __future__ import annotations

import numpy as np

LEVELS = 10            # grey levels of 255: an eighth of the picture's size averages 64 pixels, whose noise is under 2
SHARE = 0.0008         # of the small picture: a child of 40 pixels' height who takes a step changes 20 of 14,400


class Stir:
    """`stirs` compares with the picture that it was given before."""

    def __init__(self) -> None:
        self._before: np.ndarray | None = None

    def stirs(self, jpeg: bytes) -> bool:
        """True also for the first picture, and where it cannot be read."""
        import cv2
        grey = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_REDUCED_GRAYSCALE_8)
        before, self._before = self._before, grey
        if grey is None or before is None or before.shape != grey.shape:
            return True
        change = grey.astype(np.int16) - before
        change -= np.int16(np.median(change))                # a lamp that flickers changes all of it alike
        return bool((np.abs(change) > LEVELS).mean() > SHARE)
