"""Net: balls bowled by puppets whose truth is known, as a camera's frames and as the pose model's answers.

Every frame is a small JPEG that carries the moment at which it was exposed; the eyes read that moment out of the frame
that they are asked about, so that a frame that is old, torn or missing is seen as just that.
"""
from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import cv2
import numpy as np

from creaseside.camera import Camera
from creaseside.pitch import MARKS
from creaseside.pose import Pose
from creaseside.stamps import NS, Stamp
from kiosk.marks import Marks
from kiosk.reel import Reel
from kiosk.sources import jpeg
from tests.creaseside.film import Film, side_camera
from tests.creaseside.puppet import bowler

WIDTH, HEIGHT = 1280, 720
KNEES = (165.0, 150.0, 172.0, 158.0)
CAMERA: Camera = side_camera("left")
RELEASE_S = 0.11            # after front foot contact, at which the puppet's time is 0
BEFORE_S, AFTER_S = 1.3, 0.8


@dataclass(frozen=True)
class Net:
    """A ball every `every_s`, the first one's front foot contact at `first_ns`; `count`: as many and no more."""

    first_ns: int
    every_s: float = 5.0
    count: int | None = None
    fps: float = 60.0

    def nearest(self, t_ns: int) -> tuple[int, float]:
        """The ball whose landing is nearest, 0-based, and how long after it that moment is, s."""
        ball = max(0, round((t_ns - self.first_ns) / (self.every_s * NS)))
        if self.count is not None:
            ball = min(ball, self.count - 1)
        return ball, (t_ns - self.landing_ns(ball)) / NS

    def landing_ns(self, ball: int) -> int:
        return self.first_ns + round(ball * self.every_s * NS)

    def landed_by(self, t_ns: int) -> int:
        """How many balls were bowled by then."""
        bowled = max(0, math.floor((t_ns - self.first_ns) / (self.every_s * NS)) + 1)
        return bowled if self.count is None else min(bowled, self.count)

    def pose(self, content_ns: int, stamp: Stamp, model: str) -> Pose:
        """What the pose model would say of a frame that was exposed at `content_ns` and is known as `stamp`."""
        ball, t_s = self.nearest(content_ns)
        poses = film_poses(ball % len(KNEES), self.fps, model)
        i = round((t_s + BEFORE_S) * self.fps)
        if not 0 <= i < len(poses) or poses[i] is None:
            return Pose.nobody(stamp, model, "nobody in the picture")
        xy, world, seen = poses[i]
        return Pose(stamp, xy, world, seen, model)


@functools.cache
def film_poses(which: int, fps: float, model: str) -> list:
    film = Film(bowler(knee=KNEES[which], knee_min=KNEES[which] - 7, knee_br=KNEES[which] - 4), CAMERA, fps=fps, phase=0.0,
                noise_px=0.6, seed=which, between=(-BEFORE_S, AFTER_S))
    poses = [film.pose(i, model) for i in range(len(film))]
    return [None if p.missing else (p.xy_px, p.world_m, p.visibility) for p in poses]


def frame(content_ns: int) -> bytes:
    """A whole JPEG of the size, with its moment in a comment (ITU-T T.81, B.2.4.5)."""
    base = _base()
    return base[:2] + b"\xff\xfe\x00\x0a" + content_ns.to_bytes(8) + base[2:]


def content_ns(data: bytes) -> int:
    return int.from_bytes(data[6:14])


@functools.cache
def _base() -> bytes:
    return jpeg.encode(np.full((HEIGHT, WIDTH, 3), 90, np.uint8))[:]


def torn(data: bytes) -> bytes:
    return data[:len(data) // 2]


@functools.cache
def small() -> bytes:
    return cv2.imencode(".jpg", np.zeros((HEIGHT // 2, WIDTH // 2, 3), np.uint8))[1].tobytes()


def marks() -> Marks:
    """The marks as that camera sees them."""
    names = [n for n in MARKS if n.startswith(("middle", "bowling", "popping"))]
    px = CAMERA.project(np.array([MARKS[n] for n in names]))
    return Marks(WIDTH, HEIGHT, {n: (float(x), float(y)) for n, (x, y) in zip(names, px)})


class Eyes:
    """Stand in for the pose processes: every look is answered at the next asking. failing: reasons to answer with instead,
    the next first."""

    restarts, why = 0, ""

    def __init__(self, net: Net, reel: Reel) -> None:
        self._net, self._reel = net, reel
        self._waiting: list[tuple[int | None, Stamp]] = []
        self.failing: list[str] = []

    def live(self, stamp: Stamp, box_px=None) -> bool:
        self._waiting.append((None, stamp))
        return True

    def look(self, ball: int, frames, urgent: bool = False) -> None:
        self._waiting += [(ball, frame.stamp) for frame in frames]

    def poses(self) -> list[tuple[int | None, Pose]]:
        waiting, self._waiting = self._waiting, []
        return [(ball, self._pose(stamp, "light" if ball is None else "heavy", ball)) for ball, stamp in waiting]

    def ready(self) -> bool:
        return True

    alive = ready

    def wait(self, timeout_s: float) -> bool:
        return True

    def close(self) -> None:
        pass

    def __enter__(self) -> Eyes:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def _pose(self, stamp: Stamp, model: str, ball: int | None) -> Pose:
        if ball is not None and self.failing:
            return Pose.nobody(stamp, model, self.failing.pop(0))
        data = self._reel.jpeg(stamp.frame)
        if data is None:
            return Pose.nobody(stamp, model, "the frame is gone from the reel")
        return self._net.pose(content_ns(data), stamp, model)
