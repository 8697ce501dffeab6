"""What stands in the net: ground, creases, stumps, side net, hedge and sky, as textured quads and one coloured mesh.

Numbers and pictures only; `net` draws them. `away` is the sign of y on the far side of the lane, where the hedge is.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from tests.footage.bowler import Mesh
from tests.footage.rotations import unit

GROUND_M = 12.0                                # the ground's texture reaches this far to every side
GROUND_PX = 2048
LANE_Y_M = 1.75
STUMP_Y_M = (-.114, 0, .114)
NET_Y_M, NET_HEIGHT_M = 2.0, 3.0
NET_TILE_M = 0.384                             # eight meshes of 48 mm
WOOD, STEEL, TWINE = (206, 170, 112), (120, 126, 130), (28, 40, 32)
CREASES = (((0, -1.32), (0, 1.32)), ((1.22, -1.7), (1.22, 1.7)), ((-1.22, 1.32), (1.22, 1.32)),
           ((-1.22, -1.32), (1.22, -1.32)))
OCTAVES = (1, 2, 4, 8, 16, 32)


@dataclass(frozen=True, slots=True)
class Quad:
    """corners (4, 3) metres, uv (4, 2), image (H, W, 3 or 4). near: drawn over the bowler."""

    corners: np.ndarray
    uv: np.ndarray
    image: np.ndarray
    near: bool = False

    @property
    def see_through(self) -> bool:
        return self.image.shape[2] == 4


def quads(rng: np.random.Generator, away: float, near_net_y_m: float | None) -> list[Quad]:
    g = GROUND_M
    ground = Quad(np.array([[-g, -g, 0], [g, -g, 0], [g, g, 0], [-g, g, 0]]), _UNIT, _ground(rng))
    far = Quad(np.array([[-90, -8 * away, -.03], [90, -8 * away, -.03], [90, 90 * away, -.03], [-90, 90 * away, -.03]]),
               np.array([[0, 0], [20, 0], [20, 14], [0, 14]]), grain(rng, 512, 512, (92, 116, 70), 7))
    back = Quad(_upright(40, 22 * away, 12), _UNIT, _hedge(rng))
    made = [ground, far, back, _side_net(NET_Y_M * away)]
    return made if near_net_y_m is None else [*made, _side_net(near_net_y_m, near=True)]


def stumps() -> Mesh:
    """Stumps and bails."""
    return _rods([*(((0, y, 0), (0, y, .70), .018, WOOD) for y in STUMP_Y_M),
                  ((0, -.11, .715), (0, .11, .715), .010, WOOD)])


def posts(away: float) -> Mesh:
    """The posts and the rail of the far net."""
    y = (NET_Y_M + .05) * away
    return _rods([*(((x, y, 0), (x, y, NET_HEIGHT_M), .03, STEEL) for x in range(-12, 13, 3)),
                  ((-12, y, NET_HEIGHT_M), (12, y, NET_HEIGHT_M), .02, STEEL)])


def grain(rng: np.random.Generator, h: int, w: int, base: tuple, amplitude: float,
          octaves: tuple = OCTAVES) -> np.ndarray:
    """A cloudy texture round a base colour."""
    n = np.zeros((h, w), np.float32)
    for o in octaves:
        small = rng.standard_normal((max(1, h // o), max(1, w // o))).astype(np.float32)
        n += cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC)
    n /= n.std()
    tint = np.array([1, 1, .8], np.float32)
    return np.clip(np.array(base, np.float32) + amplitude * n[..., None] * tint, 0, 255).astype(np.uint8)


_UNIT = np.array([[0, 1], [1, 1], [1, 0], [0, 0]])


def _upright(half_m: float, y: float, height_m: float) -> np.ndarray:
    return np.array([[-half_m, y, 0], [half_m, y, 0], [half_m, y, height_m], [-half_m, y, height_m]])


def _ground(rng: np.random.Generator) -> np.ndarray:
    """Grass, the mat, the creases and the mat's edge, seen from above; x to the right, y up."""
    def px(x: float, y: float) -> tuple[int, int]:             # in sixteenths of a pixel
        scale = GROUND_PX / (2 * GROUND_M) * 16
        return int(round((x + GROUND_M) * scale)), int(round((GROUND_M - y) * scale))
    g = grain(rng, GROUND_PX, GROUND_PX, (86, 122, 70), 9)
    mat = [tuple(v // 16 for v in px(x, y)) for x, y in ((-GROUND_M, LANE_Y_M), (GROUND_M, -LANE_Y_M))]
    cv2.rectangle(g, *mat, (98, 132, 82), -1)
    g = np.clip(g + rng.normal(0, 5, g.shape[:2]).astype(np.float32)[..., None], 0, 255).astype(np.uint8)
    for a, b in CREASES:
        cv2.line(g, px(*a), px(*b), (232, 232, 226), 4, cv2.LINE_AA, 4)
    cv2.line(g, px(-GROUND_M, LANE_Y_M), px(GROUND_M, LANE_Y_M), (60, 84, 54), 2, cv2.LINE_AA, 4)
    return g


def _hedge(rng: np.random.Generator) -> np.ndarray:
    """Sky above, a hedge below."""
    sky, hedge = grain(rng, 512, 2048, (150, 176, 205), 2, (64, 128)), grain(rng, 512, 2048, (58, 78, 48), 16)
    x = np.arange(2048)
    edge = (250 + 24 * np.sin(x / 90.) + 18 * np.sin(x / 37. + 1)).astype(int)
    below = np.arange(512)[:, None] > edge[None]
    sky[below] = hedge[below]
    return sky


def _side_net(y: float, near: bool = False) -> Quad:
    n = 512
    net = np.zeros((n, n, 4), np.uint8)
    net[..., :3] = TWINE
    for c in range(32, n, 64):
        cv2.line(net, (c, 0), (c, n), (*TWINE, 255), 5)
        cv2.line(net, (0, c), (n, c), (*TWINE, 255), 5)
    tiles = np.array([2 * GROUND_M, NET_HEIGHT_M]) / NET_TILE_M
    return Quad(_upright(GROUND_M, y, NET_HEIGHT_M), _UNIT * tiles, net, near)


def _sphere(rings: int = 14, sectors: int = 20) -> tuple[np.ndarray, np.ndarray]:
    th, ph = np.linspace(0, np.pi, rings), np.linspace(0, 2 * np.pi, sectors, endpoint=False)
    V = np.array([[np.sin(a) * np.cos(b), np.sin(a) * np.sin(b), np.cos(a)] for a in th for b in ph])
    F = []
    for i in range(rings - 1):
        for j in range(sectors):
            a, b = i * sectors + j, i * sectors + (j + 1) % sectors
            F += [[a, b + sectors, b], [a, a + sectors, b + sectors]]
    return V, np.array(F)


def _rods(rods: list[tuple]) -> Mesh:
    """Each from a point to a point, metres, with a radius and a colour."""
    ball, faces = _sphere()
    V = [_rod(np.array(p, float), np.array(q, float), r, ball) for p, q, r, _ in rods]
    C = [np.tile(np.array(c) / 255.0, (len(ball), 1)) for *_, c in rods]
    F = [faces + i * len(ball) for i in range(len(rods))]
    return Mesh(np.concatenate(V), np.concatenate(F), np.concatenate(C))


def _rod(p: np.ndarray, q: np.ndarray, radius: float, ball: np.ndarray) -> np.ndarray:
    """A rounded rod from p to q: the ball's lower half at p, its upper half at q."""
    z = unit(q - p)
    x = unit(np.cross(z, [.3, .9, .1]))
    far = np.where(ball[:, 2] >= 0, np.linalg.norm(q - p), 0)[:, None] * np.array([0, 0, 1.])
    return p + (ball * radius + far) @ np.stack([x, np.cross(z, x), z])
