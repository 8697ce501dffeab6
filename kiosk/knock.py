"""Knock: whether the camera still stands where it stood, from points of the background on a small grey picture.

People walk through the picture and the light changes; a camera that was knocked moves everything at once, and for good. What
is told is that it moved and by how much; what that means for numbers is the engine's to say. No picture leaves this room.
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import Callable

import cv2
import numpy as np

from creaseside.stamps import NS, Stamp
from kiosk.sources.light import DARK

EVERY_NS = 2 * NS        # between two looks
WIDTH_PX = 640           # of the picture that is looked at
POINTS, APART_PX = 120, 14
AGREE_PX = 0.6           # how near a point must come to where the others say, at that width
AGREEING, SHARE = 12, 0.35         # so many points, and so much of the reference, must tell the same story
# A mark is placed to about a pixel at 1280 (camera.MARK_SD_PX) and no fit forgives six: between them lies three.
MOVED_PX = 3.0
SURE = 2                 # looks in a row, so that a tripod that trembles in a gust is no knock
BLIND = 5                # looks in a row that found nothing of the reference in a picture full of detail: it looks elsewhere
THIN = 0.6               # below this share of found points the reference is renewed, from a look that agrees: light wanders


@dataclass(frozen=True, slots=True)
class Seen:
    """One look. shift_px: how far the picture's middle went, at the source's own width; None where too little was found.

    found: share of the reference's points that were found again and agree.
    """

    shift_px: float | None
    found: float


class Knock:
    """`look` at a picture now and then; `moved` holds what it comes to. The first picture is the reference."""

    def __init__(self, width_px: int = 1280) -> None:
        self._scale = width_px / WIDTH_PX
        self._grey: np.ndarray | None = None
        self._points = np.empty((0, 1, 2), np.float32)
        self._gone = np.eye(3)               # from the first reference to the one in use
        self._off = self._blind = 0
        self.moved = False

    def look(self, bgr_or_grey: np.ndarray) -> Seen | None:
        """A picture of any size with the source's proportions; None for the first."""
        dark = float(np.mean(bgr_or_grey)) < DARK
        grey = _small(bgr_or_grey)
        if self._grey is None or len(self._points) < AGREEING:
            self._refer(grey)
            return None
        to, found = self._found(grey)
        seen = Seen(None if to is None else self._shift_px(to @ self._gone), found)
        self._judge(seen, dark or len(_corners(grey)) < POINTS // 4)
        if to is not None and found < THIN and seen.shift_px < MOVED_PX / 2:
            self._gone = to @ self._gone
            self._refer(grey)
        return seen

    def _judge(self, seen: Seen, nothing: bool) -> None:
        """nothing: there is nothing to be seen, since it is dark or somebody stands before the lens."""
        if seen.shift_px is None:
            self._blind = 0 if nothing else self._blind + 1
            self.moved = self.moved or self._blind >= BLIND
            return
        self._blind = 0
        self._off = self._off + 1 if (seen.shift_px >= MOVED_PX) != self.moved else 0
        if self._off >= SURE:
            self.moved, self._off = not self.moved, 0

    def _refer(self, grey: np.ndarray) -> None:
        self._grey, self._points = grey, _corners(grey)

    def _found(self, grey: np.ndarray) -> tuple[np.ndarray | None, float]:
        """The movement (3, 3) from the reference to this picture on which most points agree, and their share."""
        there, ok, _ = cv2.calcOpticalFlowPyrLK(self._grey, grey, self._points, None, winSize=(15, 15), maxLevel=4)
        again, back, _ = cv2.calcOpticalFlowPyrLK(grey, self._grey, there, None, winSize=(15, 15), maxLevel=4)
        true = (ok & back).ravel().astype(bool) & (np.linalg.norm(again - self._points, axis=2).ravel() < AGREE_PX)
        if true.sum() < AGREEING:
            return None, 0.0
        to, agree = cv2.estimateAffinePartial2D(self._points[true], there[true], method=cv2.RANSAC,
                                                ransacReprojThreshold=AGREE_PX, maxIters=500)
        n = 0 if to is None else int(agree.sum())
        share = n / len(self._points)
        if n < AGREEING or share < SHARE:
            return None, share
        return np.vstack([to, [0, 0, 1]]), share

    def _shift_px(self, to: np.ndarray) -> float:
        """The farthest that a point of the picture's inner half went, at the source's width."""
        height = self._grey.shape[0]
        inner = np.array([[x * WIDTH_PX, y * height, 1.0] for x in (.25, .75) for y in (.25, .75)])
        return float(np.linalg.norm((inner @ to.T - inner)[:, :2], axis=1).max() * self._scale)


class Lookout:
    """Looks at a frame of the reel every EVERY_NS, in the thread that `aside` gives its jobs to, and never waits for it."""

    def __init__(self, jpeg: Callable[[int], bytes | None], aside: Callable[[Callable[[], None]], None], width_px: int) -> None:
        self._jpeg, self._aside, self._knock = jpeg, aside, Knock(width_px)
        self._due_ns, self._busy = 0, False

    @property
    def moved(self) -> bool:
        return self._knock.moved

    def tick(self, newest: Stamp | None, now_ns: int) -> None:
        if newest is None or self._busy or now_ns < self._due_ns:
            return
        self._due_ns, self._busy = now_ns + EVERY_NS, True
        self._aside(lambda: self._look(newest.frame))

    def _look(self, frame: int) -> None:
        try:
            jpeg = self._jpeg(frame)
            grey = jpeg and cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_REDUCED_GRAYSCALE_2)
            if grey is not None:
                self._knock.look(grey)
        finally:
            self._busy = False


def _small(picture: np.ndarray) -> np.ndarray:
    """Grey, WIDTH_PX wide, its light evened out: what the camera's exposure and a cloud do is taken away."""
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY) if picture.ndim == 3 else picture
    size = WIDTH_PX, round(grey.shape[0] * WIDTH_PX / grey.shape[1])
    if grey.shape[::-1] != size:
        grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    near = cv2.GaussianBlur(grey, (0, 0), 12).astype(np.float32)
    return np.clip(128 + 64 * (grey - near) / (near * 0.15 + 8), 0, 255).astype(np.uint8)


def _corners(grey: np.ndarray) -> np.ndarray:
    """Points that can be found again, (N, 1, 2) float32."""
    found = cv2.goodFeaturesToTrack(grey, POINTS, 0.02, APART_PX, blockSize=7)
    return found if found is not None else np.empty((0, 1, 2), np.float32)
