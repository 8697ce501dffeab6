"""Film: a puppet as the pose model would see it: at a frame rate, with noise, gaps, mix-ups, strangers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Iterable, Mapping

import numpy as np

from creaseside import finder, joints, lane, measures, steps, swing, track
from creaseside.camera import Camera, look_at
from creaseside.orders import Look, Order
from creaseside.pose import INDEX, MIRROR, NAMES, SIDES, Pose
from creaseside.stamps import Stamp, to_ns
from tests.creaseside.puppet import POINT_M, TRUE_SIDE, Puppet

EDGE_NOISE = 0.3  # a foot's lower edge is seen so much better than a landmark
EPOCH_S = 100.0  # where the puppet's 0 lies on the stamps' axis


def side_camera(
    side="right", yaw_deg=0.0, at_x_m=-1.2, far_m=7.0, high_m=1.5, wide_deg=70.0, size=(1280, 720)
) -> Camera:
    """A level camera on the bowler's right (-y) or left, `yaw_deg` nearer to the batter than side-on."""
    y, a = TRUE_SIDE[side], np.radians(yaw_deg)
    return look_at(
        (at_x_m + far_m * np.sin(a), y * far_m * np.cos(a), high_m),
        (at_x_m, 0, 0.95),
        size[0] / 2 / np.tan(np.radians(wide_deg / 2)),
        *size,
    )


@dataclass(frozen=True)
class Film:
    """Poses of a puppet, frame by frame. Spans are in the puppet's seconds; noise is the same at each asking."""

    puppet: Puppet
    camera: Camera = field(default_factory=side_camera)
    fps: float = 120.0
    phase: float = 0.37  # of a frame
    noise_px: float = 0.0
    seed: int = 1
    pace: float = 1.0  # how fast it moves against its own keys
    between: tuple[float, float] = (-1.4, 0.6)
    lost: float = 0.0  # share of looks that see nobody
    hidden: Mapping[str, tuple[float, float]] = field(default_factory=dict)  # landmark: span
    swapped: Mapping[str, tuple[float, float]] = field(default_factory=dict)  # "leg" or "arm": span of crossed labels
    bystander: tuple[Puppet, float, float] | None = None  # who is seen instead, and its span
    stands: bool = False  # straight, so that hip, knee and ankle are seen where they are

    def __post_init__(self) -> None:
        first, last = (u / self.pace for u in self.between)
        t = (np.arange(int((last - first) * self.fps)) + self.phase) / self.fps + first
        world = self.puppet.joints(t * self.pace)
        if self.bystander is not None:
            there = (t >= self.bystander[1]) & (t <= self.bystander[2])
            world[there] = self.bystander[0].joints(t[there])
        kinds = {side: kinds_of_step(self.puppet, side, t * self.pace) for side in TRUE_SIDE}
        body = world if self.stands else beside_joints(world, self.camera, kinds)
        xy = self.camera.project(body + lifted_feet(world, self.camera, kinds))
        sole = self.camera.project(lower_edges(world, self.camera, kinds))
        for kind, (a, b) in self.swapped.items():
            parts = (
                ("hip", "knee", "ankle", "heel", "toe")
                if kind == "leg"
                else ("elbow", "wrist", "pinky", "index", "thumb")
            )
            these = np.ix_((t >= a) & (t <= b), [i for i, n in enumerate(NAMES) if n.endswith(parts)])
            xy[these] = xy[:, MIRROR][these]
            if kind == "leg":
                sole[(t >= a) & (t <= b)] = sole[(t >= a) & (t <= b), ::-1]
        for name, (a, b) in self.hidden.items():
            xy[(t >= a) & (t <= b), INDEX[name]] = np.nan
        middle = (world[:, INDEX["left_hip"]] + world[:, INDEX["right_hip"]])[:, None] / 2
        self.__dict__.update(t=t, xy=xy, sole=sole, body=(world + moved_feet(self.camera, kinds) - middle) @ self.camera.R.T)

    def __len__(self) -> int:
        return len(self.t)

    def stamp(self, i: int) -> Stamp:
        return Stamp(i, to_ns(EPOCH_S + self.t[i]))

    def pose(self, i: int, model: str = "heavy") -> Pose:
        rng = np.random.default_rng((self.seed, i, model == "heavy"))
        hips = self.xy[i, [INDEX["left_hip"], INDEX["right_hip"]]]
        away = (
            np.isfinite(hips).all()
            and not ((hips >= 0) & (hips <= (self.camera.width_px, self.camera.height_px))).all()
        )
        if away or rng.random() < self.lost:
            return Pose.nobody(self.stamp(i), model, "nobody in the picture")
        xy = self.xy[i] + rng.normal(0, 1, (33, 2)) * self.noise_px
        sole = self.sole[i] + rng.normal(0, 1, (2, 2)) * self.noise_px * EDGE_NOISE
        hidden = np.isnan([xy[INDEX[f"{side}_heel"]] + xy[INDEX[f"{side}_toe"]] for side in SIDES])
        sole = np.where(hidden | (model == "light"), np.nan, sole)
        return Pose(
            self.stamp(i),
            xy.astype(np.float32),
            self.body[i].astype(np.float32),
            np.ones(33, np.float32),
            model,
            sole_px=sole.astype(np.float32),
        )

    def poses(self, first_s=-np.inf, last_s=np.inf) -> list[Pose]:
        return [self.pose(i) for i in np.flatnonzero((self.t >= first_s) & (self.t <= last_s))]


def beside_joints(world: np.ndarray, camera: Camera, kinds: Mapping[str, list[str]]) -> np.ndarray:
    """(T, 33, 3) m: hips, knees and ankles where the pose model puts their landmarks, for somebody who runs to +x. A puppet's knee
    bends straight ahead, and the model has a bent front knee inwards."""
    out = world.copy()
    for side, own in TRUE_SIDE.items():
        hip, knee, ankle = (world[:, INDEX[f"{side}_{joint}"]] for joint in joints.JOINTS)
        sight = knee - camera.C
        near = bool(np.median(-own * sight[:, 1]) > 0)
        sine = sight[:, 0] / np.hypot(sight[:, 0], sight[:, 1])
        length = (np.linalg.norm(hip - knee, axis=1) + np.linalg.norm(knee - ankle, axis=1))[:, None]
        thigh, shank = unit(hip - knee), unit(knee - ankle)
        for joint, up in zip(joints.JOINTS, (thigh, unit(thigh + shank), shank)):
            forward_up = joints.beside(joint, near, sine)
            forward = unit(np.stack([up[:, 2], 0 * up[:, 0], -up[:, 0]], 1))
            out[:, INDEX[f"{side}_{joint}"]] += length * (forward_up[:, :1] * forward + forward_up[:, 1:] * up)
        if steps.FRONT in kinds[side]:
            line = unit(hip - ankle)
            bow = (knee - ankle)[:, 0] * line[:, 2] - (knee - ankle)[:, 2] * line[:, 0]
            out[:, INDEX[f"{side}_knee"], 1] -= own * bow * joints.KNEE_INWARDS
    hips = [INDEX["left_hip"], INDEX["right_hip"]]
    out[:, ABOVE] += (out - world)[:, hips].mean(1, keepdims=True)      # the trunk's lean is read as it is
    return out


def kinds_of_step(puppet: Puppet, side: str, t: np.ndarray) -> list[str]:
    """What the nearest step of that foot is at each time."""
    mine = [d for d in puppet.downs if (d.side == side) != puppet.mirrored]
    landed = [d for d in puppet.downs if d.on <= 0]
    front = next((d for d in puppet.downs if d.on == 0), None)
    back = max((d for d in landed if d is not front), key=lambda d: d.on, default=None)
    nearest = [min(mine, key=lambda d: max(d.on - u, u - d.off, 0)) for u in t]
    return [steps.FRONT if d is front else steps.BACK if d is back and front else steps.RUN for d in nearest]


FEET = ("heel", "toe")
ABOVE = [i for i, name in enumerate(NAMES) if not name.endswith((*joints.JOINTS, *FEET))]


def seen_at(world: np.ndarray, camera: Camera, side: str, kinds: list[str], table: Mapping) -> tuple[np.ndarray, np.ndarray]:
    """How long the leg is and how high over the ground `table` has that foot's point, (T,) m each."""
    hip, knee, ankle = (world[:, INDEX[f"{side}_{joint}"]] for joint in joints.JOINTS)
    sight = ankle - camera.C
    near, sine = bool(np.median(-TRUE_SIDE[side] * sight[:, 1]) > 0), sight[:, 0] / np.hypot(sight[:, 0], sight[:, 1])
    length = np.linalg.norm(hip - knee, axis=1) + np.linalg.norm(knee - ankle, axis=1)
    square, turned = np.array([table[kind, near] for kind in kinds]).T
    return length, length * (square + turned * sine)


def lifted_feet(world: np.ndarray, camera: Camera, kinds: Mapping[str, list[str]]) -> np.ndarray:
    """(T, 33, 3) m to be added: heels and toes as high as the model's are on a foot that stands so and is seen from there."""
    out = np.zeros_like(world)
    for side in SIDES:
        length, height = seen_at(world, camera, side, kinds[side], steps.SOLE)
        for end in FEET:
            out[:, INDEX[f"{side}_{end}"], 2] = height - POINT_M
        out[:, INDEX[f"{side}_ankle"], 0] = length * [steps.BACK_ANKLE * (kind == steps.BACK) for kind in kinds[side]]
    return out


def lower_edges(world: np.ndarray, camera: Camera, kinds: Mapping[str, list[str]]) -> np.ndarray:
    """(T, 2, 3) m: where the sight line to the foot's lower edge is over the ankle's place across, by SIDES."""
    out = []
    for side in SIDES:
        _, height = seen_at(world, camera, side, kinds[side], steps.EDGE)
        middle = np.mean([world[:, INDEX[f"{side}_{end}"]] for end in FEET], axis=0)
        out.append(middle + np.stack([0 * height, 0 * height, height - POINT_M], 1))
    return np.stack(out, 1)


def moved_feet(camera: Camera, kinds: Mapping[str, list[str]]) -> np.ndarray:
    """(T, 33, 3) m to be added: feet as far aside as the model's own body has them."""
    out = np.zeros((len(kinds["left"]), len(NAMES), 3))
    for side, own in TRUE_SIDE.items():
        near = own * camera.C[1] > 0
        for name in ("ankle", *FEET):
            out[:, INDEX[f"{side}_{name}"], 1] = [own * steps.MODEL_IN_M[kind == steps.BACK, near] for kind in kinds[side]]
    return out


def unit(v: np.ndarray) -> np.ndarray:
    return v / np.linalg.norm(v, axis=-1, keepdims=True)


def bowl(engine, film: Film, live_hz: float = 30.0) -> list[Order]:
    """Hands the film to the engine as the kiosk would: live looks, then what `Look` asks for; gives all orders."""
    every, done = max(1, round(film.fps / live_hz)), []

    def carry_out() -> None:
        orders = list(engine.orders())
        while orders:
            done.append(order := orders.pop(0))
            if isinstance(order, Look):
                for i in asked_frames(film, order.spans):
                    engine.see_closely(order.ball, film.pose(i))
                looked(engine, order.ball)
                orders += engine.orders()

    for i in range(0, len(film), every):
        engine.see(film.pose(i, "light"))
        carry_out()
    engine.finish()
    carry_out()
    return done


def looked(engine, ball: int) -> None:
    """Every look of that ball has been given, and all that follows from it is worked out."""
    engine.looked(ball)
    while engine.wake_at_ns is not None:
        engine.wake(0)


def asked_frames(film: Film, spans: Iterable) -> list[int]:
    """The frames that a Look's spans name, none closer than its step, in the order asked."""
    ns, frames = np.array([film.stamp(i).t_ns for i in range(len(film))]), []
    for span in spans:
        inside = np.flatnonzero((ns >= min(span.first_ns, span.last_ns)) & (ns <= max(span.first_ns, span.last_ns)))
        last = None
        for i in inside if span.first_ns <= span.last_ns else inside[::-1]:
            if last is None or abs(ns[i] - last) >= span.step_ns:
                frames.append(int(i))
                last = ns[i]
    return frames


def guess_foot(film: Film, side: str) -> None:
    """Hides that foot in its stance before the landing, and has the model guess it twelve pixels higher: half a metre across the pitch."""
    inside = (film.t > -0.19) & (film.t < 0.0)
    film.sole[inside, SIDES.index(side)] = np.nan
    film.xy[np.ix_(inside, [INDEX[f"{side}_{end}"] for end in ("heel", "toe")])] -= [0, 12]


def closely(film: Film, first_s: float = -1.0, last_s: float = 0.25, marks: bool = True) -> measures.Seen | None:
    """Every frame round the landing, through the rooms one after the other; None where no ball is found."""
    close = track.cleaned(track.of(film.poses(first_s, last_s)))
    plane = lane.of(close, film.camera if marks else None)
    found = finder.find(close, plane)
    if len(found) != 1:
        return None
    c = found[0]
    close = swing.told_apart(close, plane, c.swing)
    return measures.closely(close, plane, c.arm, c.front, c.release_s, c.run_up_m_s, True)
