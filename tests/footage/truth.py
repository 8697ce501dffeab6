"""What is true of a filmed delivery: joints frame by frame, events, contacts, the camera, and the ball's measures.

Reads nothing off the pictures. Pixel convention: (0, 0) is the top-left corner of the picture, so the first pixel's
centre is (0.5, 0.5).
"""
from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np

from tests.footage.bowler import Bowler
from tests.footage.camera import Camera
from tests.footage.delivery import Delivery
from tests.footage.measures import of_ball
from tests.footage.rotations import included_deg

MARKS_M = {
    "middle_stump_base": (0, 0, 0), "middle_stump_top": (0, 0, .7112),
    "bowling_crease_left": (0, 1.32, 0), "bowling_crease_right": (0, -1.32, 0),
    "popping_crease_left": (1.22, 1.32, 0), "popping_crease_right": (1.22, -1.32, 0),
}
HAND_PX = 0.7                                  # how exactly a hand places a mark
CONVENTION = "x ~ K R (X - C); pixel centre of the first pixel is (0.5, 0.5)"


def frame_times(d: Delivery) -> np.ndarray:
    """When each frame is taken, s from front foot contact."""
    return d.t0 + (np.arange(int(round((d.t1 - d.t0) * d.fps))) + d.phase) / d.fps


def clip_s(d: Delivery, t: float) -> float:
    """The same moment from the clip's first frame, s."""
    return t - d.t0 - d.phase / d.fps


def document(d: Delivery) -> dict:
    """The truth file's content."""
    bowler, camera, times = Bowler(d), Camera.of(d), frame_times(d)
    return dict(
        params=params(d), front=d.front, fps=d.fps, n=len(times),
        events={k: _event(bowler, camera, t) for k, t in (("BFC", d.t_bfc), ("FFC", 0.0), ("BR", d.t_br))},
        contacts=bowler.contacts(), ball=of_ball(bowler, camera), camera=camera_table(camera),
        heading_deg=[round(bowler.heading_deg(t), 4) for t in times],
        frames=[_frame(bowler, camera, i, t) for i, t in enumerate(times)])


def write(d: Delivery, folder: Path) -> dict:
    """NAME.json and NAME.marks.toml into the folder; returns the document."""
    doc = document(d)
    (folder / f"{d.out}.json").write_text(json.dumps(doc, separators=(",", ":")))
    (folder / f"{d.out}.marks.toml").write_text(marks(Camera.of(d), d.seed))
    return doc


def params(d: Delivery) -> dict:
    """The delivery as the truth file tells it; `delivery` reads it back."""
    return dataclasses.asdict(d) | {"body": f"bodies/{d.body}.npz", "turn": list(d.turn), "size": list(d.size)}


def delivery(told: dict) -> Delivery:
    known = {f.name for f in dataclasses.fields(Delivery)}
    own = {k: v for k, v in told.items() if k in known}
    return Delivery(**own | {"body": Path(told["body"]).stem, "turn": tuple(told["turn"]), "size": tuple(told["size"])})


def marks(camera: Camera, seed: int) -> str:
    """The marks file as a person would place it: every mark that is in the picture, a little off."""
    rng, lines = np.random.default_rng(seed + 1000), []
    for name, place in MARKS_M.items():
        if camera.sees(np.array(place, float), margin_px=2):
            x, y = camera.project(np.array(place, float))[0] + rng.normal(0, HAND_PX, 2)
            lines.append(f"{name} = [{x:.1f}, {y:.1f}]")
    return f"[camera]\nwidth_px = {camera.W}\nheight_px = {camera.H}\n\n[marks]\n" + "\n".join(lines) + "\n"


def camera_table(camera: Camera) -> dict:
    return dict(K=camera.K.tolist(), R=camera.R.tolist(), C=camera.C.tolist(), P=camera.matrix().tolist(),
                size=[camera.W, camera.H], convention=CONVENTION)


def _frame(bowler: Bowler, camera: Camera, i: int, t: float) -> dict:
    joints = bowler.joints(t)
    return dict(i=i, t=round(float(t), 6), contact=bowler.contact(t), **_points(joints, camera),
                knee_deg={s: round(_bend(joints, s, "hip", "knee", "ankle"), 4) for s in "LR"},
                elbow_deg={s: round(_bend(joints, s, "shoulder", "elbow", "wrist"), 4) for s in "LR"},
                in_frame=camera.sees(np.array(list(joints.values()))))


def _event(bowler: Bowler, camera: Camera, t: float) -> dict:
    d, joints = bowler.d, bowler.joints(t)
    flat = {k: camera.project(v)[0] for k, v in joints.items()}
    leg = (d.front, "hip", "knee", "ankle")
    return dict(t=t, frame=clip_s(d, t) * d.fps, front_knee_deg=_bend(joints, *leg),
                front_knee_deg_2d=_bend(flat, *leg), **_points(joints, camera))


def _points(joints: dict[str, np.ndarray], camera: Camera) -> dict:
    return dict(joints3d={k: np.round(v, 5).tolist() for k, v in joints.items()},
                joints2d={k: np.round(camera.project(v)[0], 3).tolist() for k, v in joints.items()})


def _bend(points: dict[str, np.ndarray], s: str, a: str, b: str, c: str) -> float:
    return float(included_deg(points[a + s], points[b + s], points[c + s]))
