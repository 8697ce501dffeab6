"""Forecast: how wrong a ball's numbers are going to be from where a camera stands, before anybody has bowled.

From the camera (place, lens, what a hand on the marks leaves open), its frame rate and where the bowler runs to the expected
sd of the front knee at landing, approach, stride and event times; and what would make them smaller. It takes its noise from
the rooms that state it on every ball, and nothing else is measured here. What no camera changes (real joints against a model's,
clothes) is as large as those rooms say.
"""
from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Callable

import numpy as np

from creaseside import contacts, measures, opinion, phases, steps
from creaseside.ball import Value
from creaseside.camera import Camera
from creaseside.lane import FOOT_POINT_HEIGHT_M, STATURE_M, Lane

FORECAST = ("front_knee_ffc_deg", "approach_deg", "stride_length_m", "bfc_s", "ffc_s", "br_s")

# Where a body is: back foot and front foot of a 1.5 m stride that lands on the popping crease, a bound of 2.4 m and a step of
# 1.65 m before it (5.5 m/s; common practice, no source). Metres along the pitch.
FRONT_X_M, BACK_X_M, RUN_X_M = 1.1, -0.4, (-4.45, -2.8)
AROUND_M = (-0.4, 0.5)         # of a foot, along: what of the body leans out before and behind it
REACH_M = 2.05                 # the hand at release over the ground
LEG_M = np.array([[-0.35, 0.83], [-0.10, 0.47], [0.0, 0.10]])     # hip, knee, ankle at the landing: along from the ankle, up
KNEE_SLOPE_DEG_S = 150.0       # how fast the knee gives after a landing: 10 degrees in 60 ms (facts: 0 to 40 until release)
FIGURE_PX = 250.0              # the figure on which the knee's noise was measured; the model looks at a crop of 256 px


@dataclass(frozen=True, slots=True)
class Noise:
    """What the pose model adds. joint_px: of one look's hip, knee or ankle, on a figure of FIGURE_PX; foot_px: of a planted
    foot's lower edge, the same for all looks of a contact."""

    joint_px: float
    foot_px: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """values: name -> Value(sd, sd), or why it will not be measured. marks: how much of the sd the marks alone are to blame for.

    figure_px: how tall a bowler stands in the picture at the landing. across_m: what a pixel is across the pitch there.
    """

    values: dict[str, Value]
    marks: dict[str, float]
    figure_px: float
    across_m: float

    def sd(self, name: str) -> float | None:
        return self.values[name].value if self.values[name] else None


def usual_noise() -> Noise:
    """The noise that the measures state, as pixels: one look's knee on a figure seen square, and a foot's place."""
    leg_px = LEG_M * FIGURE_PX / STATURE_M
    per_px = np.sqrt(sum(_slopes(lambda p: float(measures.signed_deg(*p)), leg_px) ** 2))
    return Noise(measures.KNEE_NOISE_DEG / per_px, steps.EDGE_SD_M[steps.RUN] * FIGURE_PX / STATURE_M)


def forecast(camera: Camera, fps: float, bowler_y_m: float = 0.0, noise: Noise | None = None) -> Forecast:
    """For a bowler who runs straight down the pitch at `bowler_y_m` (+ left of the middle stump), whose front leg is not behind the other."""
    noise = noise or usual_noise()
    front = np.array([FRONT_X_M, bowler_y_m, 0.0])
    across = across_m_per_px(camera, front)
    figure = STATURE_M / camera.metres_per_px(front)
    when = {name: _event(name, fps, _aslant(camera, front)) for name in ("bfc", "ffc", "br")}
    doubts = _marks_doubts(camera, bowler_y_m)
    values, marks = {}, {}
    for name, found in (("front_knee_ffc_deg", _knee(camera, front, fps, when["ffc"], noise, figure)),
                        ("approach_deg", _approach(camera, bowler_y_m, noise)),
                        ("stride_length_m", _stride(camera, fps, bowler_y_m, noise)),
                        *((f"{name}_s", _seen_event(camera, name, sd, bowler_y_m)) for name, sd in when.items())):
        marks[name] = doubts.get(name, 0.0)
        values[name] = _value(float(np.hypot(found.value, marks[name]))) if found else found
    return Forecast(values, marks, float(figure), float(across))


def across_m_per_px(camera: Camera, place_m: np.ndarray) -> float:
    """How far a pixel up or down in the picture moves a place on the ground across the pitch, metres."""
    pixel = camera.project(place_m)
    moved = camera.on_ground(np.array([pixel - [0, 0.5], pixel + [0, 0.5]]))
    return float(abs(moved[1, 1] - moved[0, 1]))


# --- what is in the picture ---------------------------------------------------------------------------------------------

def in_picture(camera: Camera, x_m: float, y_m: float, up_m: float = STATURE_M) -> bool:
    """Whether a bowler whose foot stands there is in the picture from foot to `up_m`."""
    box = np.array([[x_m + dx, y_m, z] for dx in AROUND_M for z in (0.0, up_m)])
    pixels = camera.project(box)
    return bool(np.isfinite(pixels).all() and (pixels >= 0).all() and (pixels <= (camera.width_px, camera.height_px)).all())


def _run_up(camera: Camera, y_m: float) -> list[float]:
    """The steps before the back foot that are in the picture: the nearest ones, without a gap."""
    seen: list[float] = []
    for x in reversed(RUN_X_M):
        if not in_picture(camera, x, y_m):
            break
        seen.insert(0, x)
    return seen


# --- the measures -------------------------------------------------------------------------------------------------------

def _value(sd: float) -> Value:
    return Value(sd, sd)


def _aslant(camera: Camera, place_m: np.ndarray) -> float:
    return float(Lane(camera, place_m, np.array([1.0, 0.0])).aslant(camera.project(place_m)))


def _event(name: str, fps: float, aslant: float) -> float:
    """sd of an event's time, s, as `contacts` and `phases` state it."""
    if name == "br":
        return phases.release_sd_s(1 / fps)
    if name == "bfc":
        either = [np.linalg.norm([1 / phases.contact_sd_s(side, aslant), 1 / phases.LOW[side].sd_s]) for side in ("bfc", "far bfc")]
        return float(np.sqrt(np.mean(np.power(either, -2.0)) + (contacts.EDGE_SHARE / fps) ** 2))
    sd = float(np.sqrt((contacts.EDGE_SHARE / fps) ** 2 + contacts.EDGE_SD_S**2 + phases.contact_sd_s(name, aslant) ** 2))
    fallen = phases.FALLEN_SD_S * phases.fallen_smeared(float(contacts.half_s(1 / fps)))
    return float(1 / np.linalg.norm([1 / sd, 1 / fallen, 1 / phases.TURN_SD_S]))


def _seen_event(camera: Camera, name: str, sd: float, y_m: float) -> Value:
    x, up, why = {"bfc": (BACK_X_M, STATURE_M, "the back foot's landing is not in the picture"),
                  "ffc": (FRONT_X_M, STATURE_M, "the landing is not in the picture"),
                  "br": (FRONT_X_M, REACH_M, "the arm at release is not in the picture")}[name]
    return _value(sd) if in_picture(camera, x, y_m, up) else Value.missing(why)


def _knee(camera: Camera, front: np.ndarray, fps: float, on_sd_s: float, noise: Noise, figure_px: float) -> Value:
    if not in_picture(camera, front[0], front[1]):
        return Value.missing("the landing is not in the picture")
    looks = np.arange(0.0, measures.KNEE_AFTER_S, 1 / fps) + 0.5 / fps
    looks = looks[looks < measures.KNEE_AFTER_S]
    if len(looks) < 2:
        return Value.missing("too few frames a second")
    pixels, lane = _leg(camera, front)
    slopes = _slopes(lambda p: float(measures.signed_deg(*lane.flat(p))), pixels)
    joint_px = noise.joint_px * max(1.0, figure_px / FIGURE_PX)      # a larger figure is shrunk for the model
    spread = max(measures.KNEE_NOISE_DEG, float(joint_px * np.sqrt((slopes**2).sum())))
    tilt = _aslant(camera, front)
    landing = np.hypot(measures.landing_noise_deg(looks, spread), KNEE_SLOPE_DEG_S * on_sd_s)
    parts = {near: (measures.KNEE_LOOKS[near] * landing, measures.body_sd_deg(figure_px, near), np.degrees(measures.FRONT_OUT_SD * tilt))
             for near in (True, False)}
    either = [opinion.LEFT[near] * np.linalg.norm(part) for near, part in parts.items()]
    return _value(float(np.sqrt(np.mean(np.square(either)))))


def _leg(camera: Camera, front: np.ndarray) -> tuple[np.ndarray, Lane]:
    """The front leg's pixels at the landing (3, 2), and the running plane through its foot."""
    leg = front + np.stack([LEG_M[:, 0], 0 * LEG_M[:, 0], LEG_M[:, 1]], 1)
    return camera.project(leg), Lane(camera, front, np.array([1.0, 0.0]))


def _approach(camera: Camera, y_m: float, noise: Noise) -> Value:
    run = _run_up(camera, y_m)
    if not run or not in_picture(camera, BACK_X_M, y_m):
        return Value.missing("less than 0.4 s of the run-up in the picture")
    made = [_step(camera, x, y_m, noise, usual) for x, usual in [*((x, steps.RUN_OFFSET_M) for x in run), (BACK_X_M, steps.BACK_OFFSET_M)]]
    return _value(steps.line_deg(made)[1])


def _step(camera: Camera, x_m: float, y_m: float, noise: Noise, usual: tuple[float, float]) -> steps.Step:
    """A step with what is known of the hips over it; what its place is worse than a ball would say goes into the same sd."""
    place = np.array([x_m, y_m, 0.0])
    stated, seen = _across_sd_m(camera, place, steps.BACK if usual is steps.BACK_OFFSET_M else steps.RUN, noise)
    hips = 1 / (1 / usual[1] ** 2 + 1 / steps.MODEL_SD_M**2)
    return steps.Step("left", 0.0, place[:2], place[:2], 0.0, float(np.sqrt(hips + max(0.0, seen**2 - stated**2))), stated)


def _across_sd_m(camera: Camera, place_m: np.ndarray, kind: str, noise: Noise) -> tuple[float, float]:
    """Of a foot's place across: what a ball will say, and what that noise makes of it, m."""
    stated = float(np.hypot(steps.EDGE_SD_M[kind], steps.LOOKS_SD_M[kind])) * steps.across_over_height(camera, place_m[:2])
    return stated, noise.foot_px * across_m_per_px(camera, place_m)


def _stride(camera: Camera, fps: float, y_m: float, noise: Noise) -> Value:
    if not (in_picture(camera, BACK_X_M, y_m) and in_picture(camera, FRONT_X_M, y_m)):
        return Value.missing("a landing is not in the picture")
    feet = {steps.BACK: np.array([BACK_X_M, y_m, 0.0]), steps.FRONT: np.array([FRONT_X_M, y_m, 0.0])}
    across = [max(_across_sd_m(camera, place, kind, noise)) * steps.sight(camera, place[:2])[0] for kind, place in feet.items()]
    along = noise.foot_px * camera.metres_per_px(feet[steps.FRONT]) * np.sqrt(2)
    read = max(measures.stride_sd_m(FRONT_X_M - BACK_X_M, 1 / fps), along)
    return _value(float(np.linalg.norm([read, *across])))


# --- what the marks leave open ------------------------------------------------------------------------------------------

def _marks_doubts(camera: Camera, y_m: float) -> dict[str, float]:
    """The sd that the marks alone give each number: the same pixels seen by cameras one sd away, along every axis of the doubt."""
    if camera.cov is None:
        return {}
    front = np.array([FRONT_X_M, y_m, 0.0])
    leg, _ = _leg(camera, front)
    feet = camera.project(np.array([[x, y_m, FOOT_POINT_HEIGHT_M] for x in (RUN_X_M[-1], BACK_X_M, FRONT_X_M)]))

    def read(other: Camera) -> np.ndarray:
        run, back, landed = other.on_ground(feet, FOOT_POINT_HEIGHT_M)
        lane = Lane(other, np.array([landed[0], landed[1], 0.0]), np.array([1.0, 0.0]))
        return np.array([measures.signed_deg(*lane.flat(leg)), steps.direction_deg(back - run), np.linalg.norm(landed - back)])

    off = np.nan_to_num([(read(one) - read(other)) / 2 for one, other in camera.doubted()])
    return dict(zip(FORECAST, np.sqrt((off**2).sum(0)).tolist()))


def _slopes(read: Callable[[np.ndarray], float], pixels: np.ndarray) -> np.ndarray:
    """How much a number changes with each pixel coordinate, (2 N,)."""
    out = []
    for i in range(pixels.size):
        step = np.zeros(pixels.size)
        step[i] = 0.5
        out.append(read(pixels + step.reshape(pixels.shape)) - read(pixels - step.reshape(pixels.shape)))
    return np.array(out)


# --- what would make it better ------------------------------------------------------------------------------------------

NEARER, ZOOM, HIGHER_M, FASTER = 0.8, 1.25, 0.4, 2.0
WORTH = 0.85                # a change that leaves more than this share of an error is not worth a walk
WEIGHED = ("front_knee_ffc_deg", "approach_deg", "ffc_s")
SQUARE_DEG = 10.0           # off side-on; within this nobody is sent round


@dataclass(frozen=True, slots=True)
class Advice:
    """what: one of "back", "nearer", "zoom", "higher", "square", "faster". left: share of the error that would be left."""

    what: str
    left: float


def advice(camera: Camera, fps: float, bowler_y_m: float = 0.0) -> list[Advice]:
    """What to change, the best first: every change is forecast, and those that help are kept. All that is missing in the
    picture comes before anything finer."""
    now = forecast(camera, fps, bowler_y_m)
    if not all(now.values[name] for name in FORECAST):
        return [Advice("back", 0.0)]
    tried = [("nearer", replace(_moved(camera, NEARER), cov=None), fps),
             ("zoom", replace(camera, focal_px=camera.focal_px * ZOOM, cov=None), fps),
             ("higher", replace(_moved(camera, 1.0, HIGHER_M), cov=None), fps), ("faster", replace(camera, cov=None), fps * FASTER)]
    if abs(camera.off_side_on_deg()) > SQUARE_DEG:
        tried.append(("square", replace(_moved(camera, 1.0, square=True), cov=None), fps))
    plain = forecast(replace(camera, cov=None), fps, bowler_y_m)
    found = [Advice(what, left) for what, other, rate in tried
             if (left := _left(plain, forecast(other, rate, bowler_y_m))) < WORTH]
    return sorted(found, key=lambda a: a.left)


def _left(now: Forecast, then: Forecast) -> float:
    """The smallest share that is left of any weighed error; 1 where the change loses something out of the picture."""
    if not all(then.values[name] for name in FORECAST):
        return 1.0
    return min(then.sd(name) / now.sd(name) for name in WEIGHED)


def _moved(camera: Camera, share: float, up_m: float = 0.0, square: bool = False) -> Camera:
    """The camera at another place, turned to what it looks at now: `share` of the way away from there, `up_m` higher."""
    forward = camera.R[2]
    far = abs(camera.C[1] / forward[1]) if abs(forward[1]) > 0.05 else 8.0
    target = camera.C + far * forward
    away = camera.C - target
    if square:
        level = np.linalg.norm(away[:2])
        away = np.array([0.0, np.sign(away[1]) * level, away[2]])
    place = target + away * (share, share, 1.0) + [0.0, 0.0, up_m]
    way = (target - place) / np.linalg.norm(target - place)
    right = np.cross(way, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    return replace(camera, C=place, R=np.stack([right, np.cross(way, right), way]))
