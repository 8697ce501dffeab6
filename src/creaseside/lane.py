"""Lane: the upright running plane of one bowler, and what a picture's point is in it, in metres along and up.

With a camera the plane stands on the ground where the feet are, along a heading in the pitch frame: `along` is metres in the
direction of running, `up` metres above the ground. Without marks there is no ground: the picture itself is taken for the
plane, with a scale from the body, good enough to find a ball and to read an angle, never for a place or a distance.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from creaseside.camera import Camera
from creaseside.pose import LEFTWARDS
from creaseside.track import Track, height_px

FOOT_POINT_HEIGHT_M = 0.045   # the model's heel and toe points on a planted foot, over the ground (measured on rendered feet: 3 to 6 cm)
STATURE_M = 1.70              # only to give a picture without marks a scale: half-way between a junior and a tall adult
UNKNOWN_ASLANT = 0.27         # where no marks tell it: 15 degrees off side-on; cameras are put up to 30 (common practice)
ROUND_S = 0.05                # of a moment: the looks that tell from where it is seen
NEAR_SHARE = 30               # percentile: airborne feet look farther away than they are, planted ones do not


@dataclass(frozen=True, slots=True)
class Lane:
    """`point_m` on the ground in the plane, `heading` the unit direction of running (x, y). Without a camera: `px_per_m`."""

    camera: Camera | None
    point_m: np.ndarray
    heading: np.ndarray
    px_per_m: float = float("nan")
    forward_px: float = 1.0

    @property
    def metric(self) -> bool:
        return self.camera is not None

    @property
    def left(self) -> np.ndarray:
        """Unit direction to the runner's left, pitch frame (3,)."""
        return np.array([-self.heading[1], self.heading[0], 0.0])

    @property
    def camera_left_m(self) -> float:
        """How far to the runner's left of the plane the camera stands; NaN without one."""
        return float((self.camera.C - self.point_m) @ self.left) if self.metric else float("nan")

    def is_near(self, side: str) -> bool:
        """Whether the leg of that side is the one on the camera's side; False without one."""
        return self.camera_left_m * LEFTWARDS[side] > 0

    def flat(self, xy_px: np.ndarray, left_m: float | np.ndarray = 0.0) -> np.ndarray:
        """Pixels (..., 2) -> (along, up) metres (..., 2) of points that lie `left_m`, one for all or (...), to the runner's left."""
        if self.camera is None:
            return np.stack([xy_px[..., 0] * self.forward_px, -xy_px[..., 1]], -1) / self.px_per_m
        p = self.camera.on_plane(xy_px, self.point_m + np.asarray(left_m)[..., None] * self.left, self.left)
        return np.stack([(p[..., :2] - self.point_m[:2]) @ self.heading, p[..., 2]], -1)

    def aslant(self, xy_px: np.ndarray) -> np.ndarray:
        """How far from square on the camera sees points (..., 2) of the plane, (...): the tangent of the angle between the line of
        sight and the runner's left, over the ground. By so much a metre out of the plane looks shifted along it. NaN without a camera.
        """
        return np.abs(self.from_behind(xy_px))

    def from_behind(self, xy_px: np.ndarray) -> np.ndarray:
        """The same with its sign, + where the camera looks after the bowler. NaN without a camera."""
        if self.camera is None:
            return np.full(np.shape(xy_px)[:-1], np.nan)
        sight = self.camera.on_plane(xy_px, self.point_m, self.left)[..., :2] - self.camera.C[:2]
        return (sight @ self.heading) / np.abs(sight @ self.left[:2])

    def aslant_at(self, track: Track, at_s: float) -> float:
        """The same for the bowler round a moment; a usual one where no marks tell it."""
        hips = track.between(at_s - ROUND_S, at_s + ROUND_S).middle("hip")
        found = self.aslant(hips[np.isfinite(hips).all(1)])
        return float(np.median(found)) if np.isfinite(found).any() else UNKNOWN_ASLANT

    def through(self, point_m: np.ndarray, heading_deg: float) -> Lane:
        """The same camera's plane through another place, in another heading (degrees from +x, + to the left)."""
        a = np.radians(heading_deg)
        return Lane(self.camera, np.array([point_m[0], point_m[1], 0.0]), np.array([np.cos(a), np.sin(a)]))


def of(track: Track, camera: Camera | None) -> Lane:
    """The first guess at the running plane: straight down the pitch, through the feet; without a camera the way the person moves."""
    if camera is None:
        middle = track.middle("hip")[:, 0]
        ok = np.isfinite(middle)
        way = np.polyfit(track.t_s[ok], middle[ok], 1)[0] if ok.sum() > 2 else 1.0
        return Lane(None, np.zeros(3), np.array([1.0, 0.0]), height_px(track) / STATURE_M, 1.0 if way >= 0 else -1.0)
    return Lane(camera, np.array([0.0, feet_y_m(track, camera), 0.0]), np.array([1.0, 0.0]))


def feet_y_m(track: Track, camera: Camera) -> float:
    """Where across the pitch the feet come down, metres; NaN when no foot is seen."""
    points = np.stack([track[n] for n in ("left_heel", "right_heel", "left_toe", "right_toe")], 1)
    lowest = np.take_along_axis(points, np.nan_to_num(points[..., 1], nan=-1.0).argmax(1)[:, None, None], 1)[:, 0]
    ground = camera.on_ground(lowest, FOOT_POINT_HEIGHT_M)
    away = np.linalg.norm(ground[:, :2] - camera.C[:2], axis=1)
    ok = np.isfinite(away)
    if not ok.any():
        return float("nan")
    nearest = np.argsort(np.abs(away - np.percentile(away[ok], NEAR_SHARE)))[:max(3, ok.sum() // 5)]
    return float(np.nanmedian(ground[nearest, 1]))
