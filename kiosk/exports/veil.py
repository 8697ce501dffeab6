"""Veil: a clip that leaves the machine shows no face. The bowler's head is coarsened, and so is everything but the
bowler's own body, where other people may stand.

The head is where the pose model's looks at the ball put it, and the body a band round the bones between its landmarks.
Between two looks they are reckoned from both; a frame that has no look on either side within GAP_S is left out. That
is as sure as the looks, from which strangers' were sorted out: where the model takes something else for the head, or
somebody stands right behind the bowler, a face may remain. Nothing can be brought back: what is coarsened is thrown
away before the picture is written anew.
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import Iterable, Iterator, Sequence

import numpy as np

from creaseside import track
from creaseside.pose import INDEX, NAMES, Pose
from creaseside.stamps import NS, Stamp

GAP_S = 0.15           # a head that runs at 7 m/s and dips with 3 g strays 8 cm from the line between such looks
EDGE_S = 0.02          # before the first and after the last look: two frames of most cameras
FACE = [INDEX[n] for n in NAMES[:11]]
TORSO = [INDEX[n] for n in ("left_shoulder", "right_shoulder", "right_hip", "left_hip")]
BONES = [(INDEX[f"{side}_{a}"], INDEX[f"{side}_{b}"]) for side in ("left", "right") for a, b in (
    ("shoulder", "elbow"), ("elbow", "wrist"), ("wrist", "index"), ("hip", "knee"), ("knee", "ankle"),
    ("ankle", "heel"), ("heel", "toe"))] + list(zip(TORSO, [*TORSO[1:], TORSO[0]]))
# In trunks (mid-shoulder to mid-hip, 0.29 of the stature; head and neck 0.18: Drillis & Contini 1966, from memory).
HEAD_TRUNKS = 0.50     # a head's radius, hair and helmet and the pose model's own error
SPREAD = 2.0           # or so many times the farthest point of the face from their middle, where that is more
FEET = {INDEX[f"{side}_{n}"] for side in ("left", "right") for n in ("ankle", "heel")}
FOOT_MORE = 2.0        # so much more round a foot, where the crease is and no face
BODY_TRUNKS = 0.22     # what is left clear to either side of a bone: a limb in its clothes
CELLS = 3              # a coarsened head is so many cells across
LEAST_CELLS = 48       # the picture's width in cells is at most this, so that a face near the camera is few cells too


@dataclass(frozen=True, slots=True)
class Hidden:
    """In a frame, pixels: the head's middle and radius; the body's landmarks (33, 2), clear as far as `reach` round."""

    middle: np.ndarray
    radius: float
    xy: np.ndarray
    reach: float


class Veil:
    """Of one ball: made from its looks, of whichever model; on the stamps' axis."""

    def __init__(self, poses: Iterable[Pose]) -> None:
        poses = [p for p in poses if p.missing is None]
        self._all = sorted(poses, key=lambda p: p.stamp.t_ns)
        heavy_last = sorted(poses, key=lambda p: p.model == "heavy")
        seen = track.cleaned(track.of(heavy_last))
        bodies = _filled(seen.t_s, seen.xy_px)
        self._t_s, self._hidden = seen.t_s, [_hidden(xy, body) for xy, body in zip(seen.xy_px, bodies)]

    def at(self, t_ns: int) -> list[Hidden]:
        """What is to be hidden in a frame of that time, the bowler first; empty where that head is not known."""
        t_s = t_ns / NS
        bowler = self._between(t_s)
        if bowler is None:
            return []
        others = [_hidden(p.xy_px.astype(float), p.xy_px) for p in self._all if abs(p.stamp.t_ns - t_ns) <= EDGE_S * NS]
        return [bowler, *(h for h in others if h is not None)]

    def _between(self, t_s: float) -> Hidden | None:
        after = int(np.searchsorted(self._t_s, t_s))
        near = [i for i in (after - 1, after) if 0 <= i < len(self._t_s) and self._hidden[i] is not None]
        if not near:
            return None
        if len(near) == 1:
            return self._hidden[near[0]] if abs(self._t_s[near[0]] - t_s) <= EDGE_S else None
        (t0, a), (t1, b) = ((self._t_s[i], self._hidden[i]) for i in near)
        if t1 - t0 > GAP_S:
            edge = min(((abs(t - t_s), h) for t, h in ((t0, a), (t1, b))), key=lambda c: c[0])
            return edge[1] if edge[0] <= EDGE_S else None
        part = (t_s - t0) / (t1 - t0)
        moved = float(np.linalg.norm(b.middle - a.middle))
        return Hidden(a.middle + part * (b.middle - a.middle), max(a.radius, b.radius) + 0.1 * moved,
                      a.xy + part * (b.xy - a.xy), max(a.reach, b.reach))


def clip(frames: Iterable[tuple[Stamp, bytes]], poses: Sequence[Pose]) -> Iterator[tuple[Stamp, bytes]]:
    """The frames as they may be shown; those whose head is not known, or that are no picture, are left out."""
    veil = Veil(poses)
    for stamp, jpeg in frames:
        hidden = veil.at(stamp.t_ns)
        covered = _covered(jpeg, hidden) if hidden else None
        if covered is not None:
            yield stamp, covered


def _filled(t_s: np.ndarray, xy_px: np.ndarray) -> np.ndarray:
    """(T, 33, 2) with landmarks that were taken for slips reckoned from their neighbours, to keep a limb clear."""
    out = xy_px.copy()
    for joint in range(out.shape[1]):
        seen = np.isfinite(out[:, joint]).all(1)
        if seen.any():
            out[~seen, joint] = np.stack([np.interp(t_s[~seen], t_s[seen], out[seen, joint, i]) for i in (0, 1)], 1)
    return out


def _hidden(xy_px: np.ndarray, body_px: np.ndarray) -> Hidden | None:
    """From one look, (33, 2) pixels, as it was seen and as it was filled in; None where the trunk was not seen."""
    neck = (xy_px[INDEX["left_shoulder"]] + xy_px[INDEX["right_shoulder"]]) / 2
    hips = (xy_px[INDEX["left_hip"]] + xy_px[INDEX["right_hip"]]) / 2
    trunk = float(np.linalg.norm(neck - hips))
    if not np.isfinite(trunk) or trunk < 1:
        return None
    face = xy_px[FACE][np.isfinite(xy_px[FACE]).all(1)]
    radius = HEAD_TRUNKS * trunk
    if len(face):
        middle = face.mean(0)
        radius = max(radius, SPREAD * float(np.linalg.norm(face - middle, axis=1).max()))
    else:
        middle, radius = neck + 0.35 * (neck - hips), 1.5 * radius       # the whole head area
    return Hidden(middle, radius, body_px, BODY_TRUNKS * trunk)


def _covered(jpeg: bytes, hidden: Sequence[Hidden]) -> bytes | None:
    """The picture with all but the first one's body coarsened, and every head."""
    import cv2

    from kiosk.sources.jpeg import decode, encode
    bgr = decode(jpeg)
    if bgr is None:
        return None
    high, wide = bgr.shape[:2]
    cell = max(2 * max(h.radius for h in hidden) / CELLS, wide / LEAST_CELLS)
    small = cv2.resize(bgr, (max(1, round(wide / cell)), max(1, round(high / cell))), interpolation=cv2.INTER_AREA)
    coarse = cv2.resize(small, (wide, high), interpolation=cv2.INTER_LINEAR)
    clear = _body(hidden[0], high, wide)
    for h in hidden:
        cv2.circle(clear, tuple(int(round(v)) for v in h.middle), int(np.ceil(h.radius)), 0, -1)
    coarse[clear > 0] = bgr[clear > 0]
    return encode(coarse)


def _body(of: Hidden, high: int, wide: int) -> np.ndarray:
    """(high, wide) 255 where the body is, 0 elsewhere."""
    import cv2
    mask = np.zeros((high, wide), np.uint8)
    torso = of.xy[TORSO]
    if np.isfinite(torso).all():
        cv2.fillConvexPoly(mask, cv2.convexHull(torso.round().astype(np.int32)), 255)
    for a, b in BONES:
        if np.isfinite(of.xy[[a, b]]).all():
            ends = (tuple(int(round(v)) for v in of.xy[i]) for i in (a, b))
            reach = of.reach * (FOOT_MORE if a in FEET else 1)
            cv2.line(mask, *ends, 255, max(1, round(2 * reach)))
    return mask
