"""Truth: what is known beforehand of filmed balls, by the log's own names, from the file that lies beside the clip.

Two kinds: NAME.truth.json with a list of balls; NAME.json of one drawn delivery, with its joints in metres frame by
frame, its contacts and its events. What the second does not say outright is worked out here from its skeleton, by the
definitions of the log and apart from the engine, so that neither hides the other's mistake. Pictures are not read.
"""
from __future__ import annotations

import json
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, Mapping

import numpy as np

from kiosk.faults import Fault

FILMS = (".mp4", ".avi", ".mov", ".mkv")
SPEED_BEFORE_S, SPEED_AROUND_S, STRIDE_BEFORE_S, LEAST_RUN_UP_S = 0.15, 0.04, 0.30, 0.4   # the log's definitions
STEP_S = 0.002
ACTION_DEG = 10.0            # Portus et al. 2004
SIDES = {"L": "left", "R": "right"}
BOWLED = ("body", "arm", "knee", "knee_br", "knee_dip", "approach", "final", "turn", "speed", "stride", "ffy", "t_bfc", "t_br")
OTHER = {"L": "R", "R": "L"}


@dataclass(frozen=True, slots=True)
class Known:
    """A clip's balls, each a mapping by the log's names, None where it cannot be known; and how it was filmed."""

    clip: Path
    balls: tuple[Mapping[str, Any], ...]
    conditions: Mapping[str, str] = field(default_factory=dict)
    delivery: str = ""       # the same for clips of one and the same delivery, filmed from elsewhere; "" where that is not known


def clips_in(folder: Path) -> list[Known]:
    """Every clip of the folder whose truth is beside it, by name; Fault where there is none."""
    asked = f"clips whose truth is known in {folder}"
    if not folder.is_dir():
        raise Fault(asked, "no such folder", "give another with --footage DIR")
    found = [known for film in sorted(folder.iterdir()) if film.suffix.lower() in FILMS and (known := beside(film))]
    if not found:
        raise Fault(asked, "none", "give a folder of clips with NAME.truth.json or NAME.json beside NAME.mp4")
    return found


def beside(film: Path) -> Known | None:
    """The truth of one clip; None where none lies beside it."""
    for path in (film.with_suffix(".truth.json"), film.with_suffix(".json")):
        if path.exists():
            try:
                doc = json.loads(path.read_text("utf-8"))
                return _known(film, doc)
            except (OSError, ValueError, KeyError, TypeError, IndexError) as e:
                raise Fault(f"the truth in {path}", f"a file that does not tell it ({type(e).__name__}: {e})",
                            "make the footage again") from e
    return None


def _known(film: Path, doc: Mapping) -> Known | None:
    if "balls" in doc:
        return Known(film, tuple(doc["balls"]))
    if "events" not in doc:
        return None
    return Known(film, (of_delivery(doc),), _conditions(doc), _delivery(doc))


def _conditions(doc: Mapping) -> dict[str, str]:
    p = doc["params"]
    side = p.get("side", "right")
    return {"fps": f"{doc['fps']:g}", "arm": SIDES[p["arm"]], "yaw": "<= 20" if abs(p["yaw"]) <= 20 else "> 20",
            "camera on the": side, "front leg": "near" if SIDES[doc["front"]] == side else "far",
            "body": Path(p["body"] or "adult").stem, "height_px": f"{p['size'][1]:g}", "blur": "yes" if p["blur"] > 1 else "no",
            "bystander": "yes" if p["bystander"] else "no", "net": "yes" if p.get("near_net") else "no"}


def _delivery(doc: Mapping) -> str:
    """How it was bowled, without from where it was seen."""
    return json.dumps({name: doc["params"].get(name) for name in BOWLED})


def of_delivery(doc: Mapping) -> dict[str, Any]:
    """The one ball of a drawn delivery: as the file says it, else from its skeleton."""
    return dict(doc["ball"]) if "ball" in doc else from_skeleton(doc)


def from_skeleton(doc: Mapping) -> dict[str, Any]:
    """The ball of a drawn delivery, from its joints, contacts and events."""
    s = Skeleton(doc)
    when = {name: s.clip_s(s.event[name]) for name in ("BFC", "FFC", "BR")}
    ball = {"arm": SIDES[doc["params"]["arm"]], "bfc_s": when["BFC"], "ffc_s": when["FFC"], "br_s": when["BR"],
            "bfc_to_ffc_s": when["FFC"] - when["BFC"], "ffc_to_br_s": when["BR"] - when["FFC"]}
    ball |= _legs(s) | _ground(s) | _trunk(s)
    return {name: None if isinstance(v, float) and not np.isfinite(v) else v for name, v in ball.items()}


class Skeleton:
    """Joints of one delivery at any time of its frames: monotone curves through every frame and event. Times in s on
    the file's own axis; outside the frames NaN."""

    def __init__(self, doc: Mapping) -> None:
        self.doc, self.front, self.back = doc, doc["front"], OTHER[doc["front"]]
        self.event = {name: float(e["t"]) for name, e in doc["events"].items()}
        self.first_s, self.last_s = (float(doc["frames"][i]["t"]) for i in (0, -1))
        heading = np.radians(np.interp(self.event["FFC"], [f["t"] for f in doc["frames"]], doc["heading_deg"]))
        self._plane = np.array([[np.cos(heading), np.sin(heading), 0.0], [0.0, 0.0, 1.0]])

    def clip_s(self, t_s: float) -> float:
        return t_s - self.first_s

    @cached_property
    def _curves(self) -> Mapping[str, Any]:
        from scipy.interpolate import PchipInterpolator
        known = sorted([(float(f["t"]), f["joints3d"]) for f in [*self.doc["frames"], *self.doc["events"].values()]],
                       key=lambda pair: pair[0])
        known = [pair for i, pair in enumerate(known) if i == 0 or pair[0] - known[i - 1][0] > 1e-5]
        t = [pair[0] for pair in known]
        return {name: PchipInterpolator(t, [joints[name] for _, joints in known], extrapolate=False)
                for name in known[0][1]}

    def at(self, t_s: float | np.ndarray, *names: str) -> np.ndarray:
        """The middle of these joints, (3,) or (T, 3) metres."""
        return np.mean([self._curves[name](t_s) for name in names], axis=0)

    def hips(self, t_s: float | np.ndarray) -> np.ndarray:
        return self.at(t_s, "hipL", "hipR")

    def knee_deg(self, side: str, t_s: float | np.ndarray) -> np.ndarray:
        """In the running plane, 180 straight, above it bent backwards."""
        hip, knee, ankle = (self.at(t_s, joint + side) @ self._plane.T for joint in ("hip", "knee", "ankle"))
        u, v = knee - hip, ankle - knee
        return 180 + np.degrees(np.arctan2(u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0], (u * v).sum(-1)))

    def lean_deg(self, t_s: float, low: tuple[str, ...], high: tuple[str, ...]) -> float:
        """Of the line between two middles against the vertical, + forward, in the running plane."""
        along, up = self._plane @ (self.at(t_s, *high) - self.at(t_s, *low))
        return float(np.degrees(np.arctan2(along, up)))

    def speed_m_s(self, first_s: float, last_s: float) -> float:
        way = self.hips(last_s)[:2] - self.hips(first_s)[:2]
        return float(np.linalg.norm(way) / (last_s - first_s))

    def seen(self, points_m: np.ndarray) -> np.ndarray:
        """Which of these places are in the picture, (T,)."""
        camera = self.doc["camera"]
        q = np.concatenate([points_m, np.ones((len(points_m), 1))], 1) @ np.array(camera["P"]).T
        xy = q[:, :2] / q[:, 2:]
        return ((xy >= 0) & (xy <= camera["size"])).all(1) & (q[:, 2] > 0)


def _times(first_s: float, last_s: float) -> np.ndarray:
    return np.linspace(first_s, last_s, max(2, round((last_s - first_s) / STEP_S) + 1))


def _legs(s: Skeleton) -> dict[str, Any]:
    ffc_s, br_s, bfc_s = s.event["FFC"], s.event["BR"], s.event["BFC"]
    knee = s.knee_deg(s.front, _times(ffc_s, br_s))
    down = next(c for c in s.doc["contacts"] if c["label"] == "BFC")
    back = s.knee_deg(s.back, _times(bfc_s, down["t_off"]))
    ffc, least, br = float(knee[0]), float(knee.min()), float(knee[-1])
    flexes, extends = ffc - least >= ACTION_DEG, br - least >= ACTION_DEG
    action = {(True, True): "flexor_extender", (True, False): "flexor",
              (False, True): "extender"}.get((flexes, extends))
    return {"front_knee_ffc_deg": ffc, "front_knee_min_deg": least, "front_knee_br_deg": br,
            "front_leg_action": action or "constant_brace",
            "back_knee_bfc_deg": float(back[0]), "back_knee_min_deg": float(back.min())}


def _ground(s: Skeleton) -> dict[str, Any]:
    bfc_s, br_s = s.event["BFC"], s.event["BR"]
    stride = s.at(s.event["FFC"], "ankle" + s.front) - s.at(bfc_s, "ankle" + s.back)
    before = s.speed_m_s(bfc_s - SPEED_BEFORE_S, bfc_s)
    steps = sorted((c for c in s.doc["contacts"] if c["t_on"] < bfc_s - 1e-6), key=lambda c: c["t_on"])
    off = steps[-1]["t_off"]
    low, high = s.hips(_times(off - STRIDE_BEFORE_S, off))[:, 2], s.hips(_times(off, bfc_s))[:, 2]
    approach = _approach_deg(s, steps[-2]["t_on"])
    return {"approach_deg": approach, "turn_deg": (_direction_deg(stride) - approach + 180) % 360 - 180,
            "run_up_speed_m_s": before,
            "speed_kept": s.speed_m_s(br_s - SPEED_AROUND_S, br_s + SPEED_AROUND_S) / before,
            "bound_height_m": float(high.max() - low.mean()),
            "stride_length_m": float(np.linalg.norm(stride[:2])), "front_foot_offset_m": float(stride[1])}


def _approach_deg(s: Skeleton, from_s: float) -> float:
    """Direction of the mid-hip's line to back foot contact, as far as it is in the picture; NaN for less than 0.4 s."""
    way = s.hips(_times(max(from_s, s.first_s), s.event["BFC"]))
    unseen = np.flatnonzero(~s.seen(way))
    way = way[unseen[-1] + 1 if len(unseen) else 0:, :2]
    if (len(way) - 1) * STEP_S < LEAST_RUN_UP_S:
        return float("nan")
    axis = np.linalg.svd(way - way.mean(0))[2][0]
    return _direction_deg(axis * np.sign(axis @ (way[-1] - way[0])))


def _direction_deg(v: np.ndarray) -> float:
    return float(np.degrees(np.arctan2(v[1], v[0])))


def _trunk(s: Skeleton) -> dict[str, Any]:
    ffc_s, arm = s.event["FFC"], s.doc["params"]["arm"]
    hips, shoulders = ("hipL", "hipR"), ("shoulderL", "shoulderR")
    lean = s.lean_deg(ffc_s, hips, shoulders)
    upper_arm = s.lean_deg(ffc_s, ("shoulder" + arm,), ("elbow" + arm,))
    return {"trunk_lean_ffc_deg": lean, "trunk_lean_br_deg": s.lean_deg(s.event["BR"], hips, shoulders),
            "arm_delay_deg": (lean - upper_arm) % 360}


