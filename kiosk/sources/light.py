"""Light: is the picture bright and sharp enough to measure in, in words; from some frames of one scene.

It says what it sees of the whole picture; whether a ball in it was measured well is the engine's to say.
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence

import numpy as np

# Mean grey of the whole picture, 0 to 255. Common practice, no source.
DARK, DIM, GLARE = 25.0, 50.0, 200.0
WHITE_SHARE = 0.2         # so much of the picture at the sensor's limit: what is there is lost
# Variance of the Laplacian over that of the picture, at 640 px width. Measured on three rendered nets: 0.40 to 0.65 as
# they are, 0.015 to 0.044 blurred by a sigma of 2 px at 1280 px width, 0.0016 to 0.0031 by 4 px.
BLURRED, SOFT = 0.01, 0.06
WIDTH_PX = 640


@dataclass(frozen=True, slots=True)
class Light:
    """mean: 0 to 255. white: share of the picture. sharpness: see SOFT. light, focus: in words; None where nothing can
    be said.
    """

    mean: float
    white: float
    sharpness: float | None
    light: str
    focus: str | None

    @property
    def good(self) -> bool:
        return self.light == "good light" and self.focus == "sharp"


def look(frames: Sequence[np.ndarray]) -> Light:
    """`frames`: one or more (H, W, 3) BGR of the same scene, two or more to tell noise from detail."""
    import cv2
    greys = [cv2.cvtColor(f, cv2.COLOR_BGR2GRAY) for f in frames]
    grey = np.mean(greys, axis=0)
    mean, white = float(grey.mean()), float((grey > 250).mean())
    size = WIDTH_PX, max(1, round(WIDTH_PX * grey.shape[0] / grey.shape[1]))
    halves = [cv2.resize(np.mean(half, axis=0), size, interpolation=cv2.INTER_AREA)
              for half in (greys[::2], greys[1::2] or greys)]
    spread = float(halves[0].var())
    # Detail is in both halves of the frames, noise is not: it falls out of their product.
    detail = float(np.mean(cv2.Laplacian(halves[0], cv2.CV_64F) * cv2.Laplacian(halves[1], cv2.CV_64F)))
    sharpness = detail / spread if spread > 4 and mean >= DARK else None
    return Light(mean, white, sharpness, _light(mean, white), _focus(sharpness))


def _light(mean: float, white: float) -> str:
    if mean > GLARE or white > WHITE_SHARE:
        return "too bright"
    return "dark" if mean < DARK else "dim" if mean < DIM else "good light"


def _focus(sharpness: float | None) -> str | None:
    if sharpness is None:
        return None
    return "out of focus" if sharpness < BLURRED else "soft" if sharpness < SOFT else "sharp"
