"""Clothes: a colour and a cloth thickness for every vertex, from the bone that it mostly hangs on."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.footage.body import Body
from tests.footage.rotations import unit

Colour = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class Kit:
    """Colours are RGB. `long`: trousers, else shorts."""

    skin: Colour
    shirt: Colour
    trousers: Colour
    shoe: Colour
    sole: Colour
    sock: Colour
    hair: Colour
    long: bool


KITS = {
    "a": Kit((196, 148, 118), (222, 224, 228), (38, 42, 58), (235, 235, 232), (70, 120, 190), (235, 235, 235),
             (42, 30, 22), True),
    "b": Kit((112, 76, 56), (196, 206, 214), (30, 30, 34), (230, 230, 230), (200, 70, 50), (240, 240, 240),
             (18, 15, 14), False),
    "c": Kit((156, 108, 80), (34, 58, 104), (206, 206, 202), (238, 238, 236), (60, 60, 66), (240, 240, 240),
             (26, 20, 18), True),
    "d": Kit((214, 172, 146), (120, 40, 44), (52, 54, 60), (40, 42, 48), (224, 224, 220), (52, 54, 60),
             (126, 92, 58), False),
}


def dress(body: Body, kit: Kit) -> tuple[np.ndarray, np.ndarray]:
    """Colours (N, 3) 0..1 and offsets (N, 3) in metres along the normals of the resting body."""
    bone = np.array(body.bones)[body.dominant]
    colour, thick = np.tile(np.array(kit.skin, float), (len(bone), 1)), np.zeros(len(bone))
    cloth = _legs(body, kit, bone, colour, thick) | _shirt(body, kit, bone, colour, thick)
    _shoes(body, kit, bone, colour, thick)
    _head(body, kit, bone, colour, thick)
    folds = _folds(body.V)
    thick[cloth] += .0022 * folds[cloth] / 1.2
    colour[cloth] *= (1 + .025 * folds[cloth])[:, None]
    return np.clip(colour, 0, 255) / 255.0, normals(body.V, body.F) * thick[:, None]


def normals(V: np.ndarray, F: np.ndarray) -> np.ndarray:
    """Unit normals of the vertices, (N, 3)."""
    face = np.cross(V[F[:, 1]] - V[F[:, 0]], V[F[:, 2]] - V[F[:, 0]])
    n = np.zeros_like(V)
    for corner in range(3):
        for axis in range(3):
            n[:, axis] += np.bincount(F[:, corner], face[:, axis], len(V))
    return n / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-12)


def _starts(bone: np.ndarray, *words: str) -> np.ndarray:
    return np.any([np.char.startswith(bone, w) for w in words], axis=0)


def _waist(body: Body, bone: np.ndarray) -> np.ndarray:
    return _starts(bone, "spine05") & (body.V[:, 2] < .06)


def _legs(body: Body, kit: Kit, bone: np.ndarray, colour: np.ndarray, thick: np.ndarray) -> np.ndarray:
    z, knee, ankle = body.V[:, 2], body.J["kneeL"][2], body.J["ankleL"][2]
    leg = _starts(bone, "upperleg", "lowerleg", "pelvis") | (bone == "root")
    hem = ankle + .05 if kit.long else knee + .06
    cloth = (leg | _waist(body, bone)) & (z > hem)
    colour[cloth], thick[cloth] = kit.trousers, .014 if kit.long else .020
    thick[cloth & (z < knee + .1)] = .020 if kit.long else .022
    colour[leg & (z <= hem)] = kit.sock if kit.long else kit.skin
    if not kit.long:
        colour[leg & (z < ankle + .10)] = kit.sock
    return cloth


def _shirt(body: Body, kit: Kit, bone: np.ndarray, colour: np.ndarray, thick: np.ndarray) -> np.ndarray:
    V = body.V
    neck = (V[:, 2] > .575) & (np.abs(V[:, 1]) < .07)
    cloth = (_starts(bone, "spine") & ~_waist(body, bone)) | _starts(bone, "clavicle", "shoulder", "upperarm01")
    cloth &= ~neck
    for s in "LR":                                        # sleeves to the middle of the upper arm
        shoulder, elbow = body.J["shoulder" + s], body.J["elbow" + s]
        along = (V - shoulder) @ unit(elbow - shoulder) / np.linalg.norm(elbow - shoulder)
        cloth |= _starts(bone, "upperarm02") & (along < .62) & (np.sign(V[:, 1]) == np.sign(shoulder[1]))
    colour[cloth], thick[cloth] = kit.shirt, .013
    return cloth


def _shoes(body: Body, kit: Kit, bone: np.ndarray, colour: np.ndarray, thick: np.ndarray) -> None:
    foot = _starts(bone, "foot", "toe")
    colour[foot], thick[foot] = kit.shoe, .007
    colour[foot & (body.V[:, 2] < body.ground_m + .018)] = kit.sole


def _head(body: Body, kit: Kit, bone: np.ndarray, colour: np.ndarray, thick: np.ndarray) -> None:
    (x, y, z), k = body.V.T, body.k
    head = (bone == "head") | _starts(bone, "eye")
    eye_z, ear = k["left_eye"][2], k["left_ear"]
    hair = (z > eye_z + .055) | ((x < ear[0] - .005) & (z > eye_z - .05)) | ((x < ear[0] + .03) & (z > eye_z + .02))
    hair &= head
    hair &= ~((np.abs(y) > .07) & (np.abs(z - ear[2]) < .035) & (x < ear[0] + .02))
    colour[hair], thick[hair] = kit.hair, .008
    for e in ("left_eye", "right_eye"):
        near = np.linalg.norm((body.V - k[e]) * np.array([.5, 1, 1]), axis=1) < .010
        colour[head & near] = (40, 32, 28)
        brow = head & (np.abs(y - k[e][1]) < .022) & (np.abs(z - k[e][2] - .018) < .006) & (x > .06)
        colour[brow] = np.array(kit.hair) * .8 + 10
    lips = head & (np.abs(y) < .024) & (np.abs(z - (k["nose"][2] - .037)) < .007) & (x > .07)
    colour[lips] = np.array(kit.skin) * np.array([.95, .62, .6])


def _folds(V: np.ndarray) -> np.ndarray:
    """Waves of the cloth, about -3..3, the same for everyone."""
    rng, f = np.random.default_rng(5), np.zeros(len(V))
    for _ in range(14):
        f += np.sin(V @ (rng.normal(size=3) * np.array([28, 28, 16])) + rng.uniform(0, 6.28))
    return f
