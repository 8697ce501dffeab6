"""Camera: a pinhole with two radial lens terms, solved from named marks; rays, ground points and upright planes.

Image: x right, y down, pixels, (0, 0) the top-left corner of the image, so that the axis of a plain lens meets it at
(width / 2, height / 2). Pitch frame: see `pitch`. x ~ K R (X - C), with R's rows the camera's right, down and forward axes.
A point behind the camera, or a ray that never meets the plane, gives NaN. Pixels are never read here.
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import Mapping, Sequence

import cv2
import numpy as np

from creaseside.pitch import CREASES, MARKS

MARK_SD_PX = 1.0       # a hand on a mark, common practice: about one pixel
WRONG_MARK_PX = 5.5    # a mark this far from the fit at 1280 px width is not a shaky hand: the fit follows a mark that is 40 px
                       # off by two thirds or more (six marks, measured), so what is left of it is small
PAINT_SD_PX = 0.3      # of one of some eight points along a crease's paint: they lie within 0.1 px of a line (drawn nets), and
                       # what is wrong with one is wrong with its neighbours too
BESIDE_M = 0.03        # sd of how far all the paint of a net lies beside the creases that its marks are placed on, and out from them:
                       # a hand may mark the edge, as the Laws have it, or the middle
Pixel = tuple[float, float]
Paint = Sequence[tuple[str, Sequence[Pixel]]]
CLEARLY = 2.5          # one suspect is named when the others without it agree this much better than without the next one
FARTHEST_M = 40.0      # from the wicket; a net's camera stands 4 to 15 m away (common practice)
FOCAL_PRIOR = 0.6      # sd of log(focal / width): wide enough for every lens from 110 to 15 degrees across
ROLL_PRIOR_RAD = 0.05  # a tripod's head is levelled to a few degrees (common practice)


class MarksFault(ValueError):
    """The marks cannot be a picture of the pitch; the text names the mark and what to do. `suspects`: the same marks by name."""

    def __init__(self, text: str, *suspects: str) -> None:
        super().__init__(text)
        self.suspects = suspects


@dataclass(frozen=True, slots=True)
class Camera:
    """focal_px, k1, k2; R (3, 3); C (3,) metres; size in pixels.

    `spread` (S, 7) holds draws of (focal, rotation vector, place) round the solution, as likely as the marks make them: what
    is computed from the camera is computed again with each to learn how wrong the marks alone may make it.
    `residual_px`: mark name -> distance between the placed and the solved mark.
    """

    width_px: int
    height_px: int
    focal_px: float
    R: np.ndarray
    C: np.ndarray
    k1: float = 0.0
    k2: float = 0.0
    cov: np.ndarray | None = None
    residual_px: Mapping[str, float] | None = None

    @property
    def centre_px(self) -> np.ndarray:
        return np.array([self.width_px / 2.0, self.height_px / 2.0])

    def project(self, points_m: np.ndarray) -> np.ndarray:
        """Pitch frame (..., 3) metres -> pixels (..., 2); NaN behind the camera."""
        q = (np.asarray(points_m, float) - self.C) @ self.R.T
        z = np.where(q[..., 2:] > 1e-6, q[..., 2:], np.nan)
        u = q[..., :2] / z
        r2 = (u * u).sum(-1, keepdims=True)
        return u * (1 + self.k1 * r2 + self.k2 * r2 * r2) * self.focal_px + self.centre_px

    def rays(self, pixels: np.ndarray) -> np.ndarray:
        """Pixels (..., 2) -> unit directions in the pitch frame (..., 3)."""
        d = (np.asarray(pixels, float) - self.centre_px) / self.focal_px
        u = d
        for _ in range(8 if self.k1 or self.k2 else 0):
            r2 = (u * u).sum(-1, keepdims=True)
            u = d / (1 + self.k1 * r2 + self.k2 * r2 * r2)
        v = np.concatenate([u, np.ones_like(u[..., :1])], -1) @ self.R
        return v / np.linalg.norm(v, axis=-1, keepdims=True)

    def on_plane(self, pixels: np.ndarray, point_m: np.ndarray, normal: np.ndarray) -> np.ndarray:
        """Where the pixels' rays meet the plane through `point_m`: (..., 3) metres, NaN where they do not."""
        d = self.rays(pixels)
        along = d @ normal
        far = ((np.asarray(point_m) - self.C) * normal).sum(-1) / np.where(np.abs(along) < 1e-9, np.nan, along)
        return self.C + np.where(far > 0, far, np.nan)[..., None] * d

    def on_ground(self, pixels: np.ndarray, height_m: float | np.ndarray = 0.0) -> np.ndarray:
        """Where the pixels' rays are `height_m` above the ground: (..., 3) metres."""
        d = self.rays(pixels)
        far = (np.asarray(height_m) - self.C[2]) / np.where(np.abs(d[..., 2]) < 1e-9, np.nan, d[..., 2])
        return self.C + np.where(far > 0, far, np.nan)[..., None] * d

    def metres_per_px(self, point_m: np.ndarray) -> float:
        """How many metres one pixel spans at that place, square to the view."""
        return float(((np.asarray(point_m) - self.C) @ self.R[2]) / self.focal_px)

    def off_side_on_deg(self) -> float:
        """Angle between the view's level direction and the line square to the pitch: 0 is side-on; + turned down the pitch."""
        forward = self.R[2]
        return float(np.degrees(np.arctan2(forward[0], abs(forward[1]))))

    def others(self, rng: np.random.Generator, n: int) -> list[Camera]:
        """Cameras as likely as this one, given how well a hand places the marks."""
        if self.cov is None:
            return []
        draws = rng.multivariate_normal(_vector(self), self.cov, n, method="eigh")
        return [_from_vector(v, self.width_px, self.height_px, self.k1, self.k2) for v in draws]


    def doubted(self) -> list[tuple[Camera, Camera]]:
        """Cameras one standard deviation to either side, along each axis of the doubt that the marks leave; empty without it."""
        if self.cov is None:
            return []
        size, axes = np.linalg.eigh(self.cov)
        at = _vector(self)
        return [tuple(_from_vector(at + sign * d, self.width_px, self.height_px, self.k1, self.k2) for sign in (1, -1))
                for d in (np.sqrt(np.maximum(size, 0.0)) * axes).T]


def look_at(place_m: Sequence[float], target_m: Sequence[float], focal_px: float, width_px: int, height_px: int) -> Camera:
    """A level camera at `place_m` that looks at `target_m`."""
    C = np.asarray(place_m, float)
    forward = np.asarray(target_m, float) - C
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    return Camera(width_px, height_px, float(focal_px), np.stack([right, np.cross(forward, right), forward]), C)


def _vector(camera: Camera) -> np.ndarray:
    """(log focal, rotation vector, place): the seven numbers that are solved for."""
    return np.concatenate([[np.log(camera.focal_px)], cv2.Rodrigues(camera.R)[0].ravel(), camera.C])


def _from_vector(v: np.ndarray, width_px: int, height_px: int, k1: float, k2: float) -> Camera:
    return Camera(width_px, height_px, float(np.exp(v[0])), cv2.Rodrigues(np.ascontiguousarray(v[1:4]))[0], v[4:7].copy(), k1, k2)


def solve(marks_px: Mapping[str, Pixel], measured: Sequence[tuple[Pixel, tuple[float, float, float]]] = (),
          width_px: int = 1280, height_px: int = 720, focal_px: float | None = None, k1: float = 0.0, k2: float = 0.0,
          paint: Paint = ()) -> Camera:
    """The camera that sees the marks where they were placed; MarksFault where none does.

    At least four ground marks not in one line, or three and a stump top. Without `focal_px` the focal length is solved too.
    `paint`: creases by name, each with points along its paint in the picture. They say how the creases run, the marks say where
    they are: all the paint may lie a little to one side, or out. Whether a mark is wrong is judged without them.
    The covariance is that of a least-squares fit with MARK_SD_PX and PAINT_SD_PX, or of the residuals where those are larger.
    """
    names = list(marks_px) + [f"measured {i + 1}" for i in range(len(measured))]
    places = np.array([MARKS[n] for n in marks_px] + [m for _, m in measured], float).reshape(-1, 3)
    pixels = np.array(list(marks_px.values()) + [p for p, _ in measured], float).reshape(-1, 2)
    _enough(places)
    found = _fit(places, pixels, width_px, height_px, focal_px, k1, k2)
    if wrong := _wrong_mark(found, names, places, pixels, focal_px):
        raise wrong
    sharp = _refine(_vector(found), places, pixels, width_px, height_px, focal_px, k1, k2, paint) if paint else None
    return _with_residuals(sharp[0], names, places, pixels) if sharp else found


def refit(near: Camera, marks_px: Mapping[str, tuple[float, float]],
          measured: Sequence[tuple[tuple[float, float], tuple[float, float, float]]] = ()) -> Camera | None:
    """`near`, brought to marks that moved a little: at once, for drawing while a hand moves one. None where that is no camera;
    whether a mark is wrong is `solve`'s to say."""
    places = np.array([MARKS[n] for n in marks_px] + [m for _, m in measured], float).reshape(-1, 3)
    pixels = np.array(list(marks_px.values()) + [p for p, _ in measured], float).reshape(-1, 2)
    found = _refine(_vector(near), places, pixels, near.width_px, near.height_px, None, near.k1, near.k2)
    return found and found[0]


def _enough(places: np.ndarray) -> None:
    ground = places[places[:, 2] == 0]
    spread = np.linalg.matrix_rank(ground - ground.mean(0), tol=0.05) if len(ground) else 0
    raised = len(places) > len(ground)
    if spread < 2 or len(ground) + raised < 4:
        raise MarksFault(f"asked four ground marks not in one line, or three and a stump top; found {len(ground)} on the ground"
                         f"{', all in one line' if 0 < spread < 2 and len(ground) > 2 else ''}; place more marks")


def _fit(places, pixels, width_px, height_px, focal_px, k1, k2) -> Camera:
    """The best of the fits from several first guesses of the focal length."""
    best, cost = None, np.inf
    for guess in ([focal_px] if focal_px else np.geomspace(0.45, 3.5, 7) * width_px):
        for start in _starts(places, pixels, guess, width_px, height_px):
            fit = _refine(start, places, pixels, width_px, height_px, focal_px, k1, k2)
            if fit is not None and fit[1] < cost:
                best, cost = fit
    if best is None:
        raise MarksFault("the marks fit no camera above the ground: left and right may be swapped, or one mark is far off; place them again")
    return best


def _starts(places, pixels, focal, width_px, height_px):
    K = np.array([[focal, 0, width_px / 2], [0, focal, height_px / 2], [0, 0, 1.0]])
    try:
        _, rotations, shifts, _ = cv2.solvePnPGeneric(places, pixels, K, None, flags=cv2.SOLVEPNP_SQPNP)
    except cv2.error:
        return
    for rotation, shift in zip(rotations, shifts):
        R = cv2.Rodrigues(rotation)[0]
        C = -R.T @ shift.ravel()
        yield np.concatenate([[np.log(focal)], cv2.Rodrigues(R)[0].ravel(), C])


def _refine(start, places, pixels, width_px, height_px, focal_px, k1, k2, paint: Paint = ()):
    """The camera near `start` and the cost of its fit; None where there is none. Beside the camera's seven numbers three are solved
    for where there is paint: how far it lies from where the creases are, x, y, and on each crease's own side of it, metres."""
    from scipy.optimize import least_squares    # 0.7 s of a start that has its camera already (measured)
    fixed = focal_px is not None
    beside = [0.0, 0.0, 0.0] if paint else []
    n = 2 * len(pixels) + sum(len(points) for _, points in paint)

    def camera_of(v):
        return _from_vector(np.concatenate([[np.log(focal_px)], v]) if fixed else v, width_px, height_px, k1, k2)

    def misfit(v):
        camera, beside = camera_of(v[:7 - fixed]), v[7 - fixed:]
        off = np.nan_to_num(camera.project(places) - pixels, nan=1e4).ravel() / MARK_SD_PX
        along = [_off_crease_px(camera, name, beside, points) / PAINT_SD_PX for name, points in paint]
        prior = [] if fixed else [np.log(camera.focal_px / width_px) / FOCAL_PRIOR]
        return np.concatenate([off, *along, prior, [camera.R[0, 2] / ROLL_PRIOR_RAD], beside / BESIDE_M])

    fit = least_squares(misfit, np.concatenate([start[fixed:], beside]), method="trf", x_scale="jac", max_nfev=200)
    camera = camera_of(fit.x[:7 - fixed])
    if camera.C[2] <= 0 or not np.isfinite(camera.project(places)).all():
        return None
    freedom = max(n - len(fit.x), 1)
    rms2 = float((misfit(fit.x)[:n] ** 2).sum()) / freedom
    cov = np.zeros((7, 7))
    cov[fixed:, fixed:] = (np.linalg.pinv(fit.jac.T @ fit.jac) * max(1.0, rms2))[:7 - fixed, :7 - fixed]
    return Camera(width_px, height_px, camera.focal_px, camera.R, camera.C, k1, k2, cov), fit.cost


def _off_crease_px(camera: Camera, name: str, beside_m: np.ndarray, points: Sequence[Pixel]) -> np.ndarray:
    """How far points of the picture are from where a crease is seen: the angle between their rays and the plane through the
    camera and the crease, in pixels at the picture's middle."""
    crease, (x, y, out) = CREASES[name], beside_m
    there = np.array([x + out * crease.paint[0], y + out * crease.paint[1], 0.0]) - camera.C
    normal = np.cross(*(np.array(MARKS[mark]) + there for mark in crease.marks))
    return camera.rays(np.array(points, float)) @ (normal / np.linalg.norm(normal)) * camera.focal_px


def _wrong_mark(camera: Camera, names, places, pixels, focal_px) -> MarksFault | None:
    """What names the mark which spoils the fit, or None where the fit is good. Also fills in the residuals."""
    residual = np.array(list(_with_residuals(camera, names, places, pixels).residual_px.values()))
    limit = WRONG_MARK_PX * max(1.0, camera.width_px / 1280)
    if residual.max() <= limit:
        away = float(np.linalg.norm(camera.C))
        return None if away <= FARTHEST_M else MarksFault(
            f"the marks put the camera {away:.0f} m from the wicket; one of them is off: place them again")
    suspects = sorted(_without(camera, names, places, pixels, focal_px))
    if suspects and suspects[0][0] <= limit / 2:
        (rms, name, off), second = suspects[0], suspects[1] if len(suspects) > 1 else (np.inf, "", 0.0)
        if second[0] > max(CLEARLY * rms, MARK_SD_PX):
            return MarksFault(f"the mark {name} is about {off:.0f} pixels from where the others say; place it again", name)
        return MarksFault(f"the marks do not fit one camera; {name} or {second[1]} is off: place both again", name, second[1])
    worst = names[int(residual.argmax())]
    return MarksFault(f"the marks do not fit one camera (worst {worst}, {residual.max():.0f} pixels off); "
                      "swapped or moved marks: place them again", worst)


def _with_residuals(camera: Camera, names, places, pixels) -> Camera:
    """The same camera, which now knows how far from it each mark was placed."""
    off = np.linalg.norm(camera.project(places) - pixels, axis=1)
    object.__setattr__(camera, "residual_px", {n: float(r) for n, r in zip(names, off)})
    return camera


def _without(camera: Camera, names, places, pixels, focal_px):
    """Each mark as a suspect: how well the others agree without it (RMS, pixels), its name, how far it is from where they say."""
    for i, name in enumerate(names):
        rest = np.arange(len(names)) != i
        try:
            _enough(places[rest])
            other = _fit(places[rest], pixels[rest], camera.width_px, camera.height_px, focal_px, camera.k1, camera.k2)
        except MarksFault:
            continue
        rms = np.sqrt((np.linalg.norm(other.project(places[rest]) - pixels[rest], axis=1) ** 2).mean())
        yield float(rms), name, float(np.linalg.norm(other.project(places[i]) - pixels[i]))
