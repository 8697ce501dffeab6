"""The pinhole camera that films the net, known exactly."""
from __future__ import annotations

import numpy as np

from tests.footage.delivery import Delivery

AIM_M = 0.95    # the camera points at this height, about the hip


class Camera:
    """x ~ K R (X - C): X metres in the pitch frame, picture x right and y down, pixel (0, 0) the top-left corner.

    `side` "right" stands on the bowler's right (-y), "left" on the left (+y). `yaw` in degrees off side-on, + nearer to
    the batter on either side.
    """

    def __init__(self, size: tuple[int, int] = (1280, 720), hfov: float = 70.0, dist: float = 7.0, height: float = 1.5,
                 yaw: float = 0.0, target: tuple[float, float, float] = (-1.2, 0.45, AIM_M),
                 side: str = "right") -> None:
        self.W, self.H = size
        self.away = 1.0 if side == "right" else -1.0        # sign of y on the far side of the lane
        f = self.W / 2 / np.tan(np.radians(hfov) / 2)
        self.K = np.array([[f, 0, self.W / 2], [0, f, self.H / 2], [0, 0, 1.0]])
        t, a = np.array(target, float), np.radians(yaw)
        self.C = np.array([t[0] + dist * np.sin(a), t[1] - self.away * dist * np.cos(a), height])
        z = (t - self.C) / np.linalg.norm(t - self.C)
        x = np.cross(z, [0, 0, 1.0])
        x /= np.linalg.norm(x)
        self.R = np.stack([x, np.cross(z, x), z])

    @classmethod
    def of(cls, d: Delivery) -> Camera:
        y = d.ffy if d.arm == "R" else -d.ffy
        return cls(tuple(d.size), d.hfov, d.dist, d.height, d.yaw, (d.tx, y, AIM_M), d.side)

    def project(self, xyz: np.ndarray) -> np.ndarray:
        """(N, 3) metres -> (N, 2) pixels; a point behind the camera gives nonsense, as nothing here is."""
        q = (np.atleast_2d(xyz) - self.C) @ self.R.T @ self.K.T
        return q[:, :2] / q[:, 2:]

    def sees(self, xyz: np.ndarray, margin_px: float = 0.0) -> bool:
        """Whether all the points are in the picture."""
        uv = self.project(xyz)
        return bool((uv > margin_px).all() and (uv < np.array([self.W, self.H]) - margin_px).all())

    def matrix(self) -> np.ndarray:
        """The 3 x 4 projection matrix."""
        return self.K @ np.hstack([self.R, (-self.R @ self.C)[:, None]])

    def gl(self, near: float = 0.1, far: float = 200.0) -> np.ndarray:
        """The same camera as OpenGL's 4 x 4 matrix."""
        w, h, k = self.W, self.H, self.K
        p = np.array([[2 * k[0, 0] / w, 0, 2 * k[0, 2] / w - 1, 0], [0, -2 * k[1, 1] / h, 1 - 2 * k[1, 2] / h, 0],
                      [0, 0, (far + near) / (far - near), -2 * far * near / (far - near)], [0, 0, 1, 0]])
        v = np.eye(4)
        v[:3, :3], v[:3, 3] = self.R, -self.R @ self.C
        return p @ v
