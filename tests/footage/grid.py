"""The grid: many deliveries drawn from seeds, each filmed from somewhere else, to measure the program's error on.

`tune` is for finding thresholds, `same` is one delivery seen from ten places, `held` and `blind` are for the final word only:
whoever has changed something after a part's errors were seen needs a part that is new. A part's deliveries depend on its
seed alone. Films only the time from run-up to follow-through that is measured.
"""
from __future__ import annotations

import argparse
import math
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.footage.camera import Camera
from tests.footage.delivery import Delivery
from tests.footage.render import film
from tests.footage.rotations import MIRROR
from tests.footage import truth
from tests.footage.body import load
from tests.footage.bowler import Bowler

COUNT = {"tune": 40, "held": 84, "same": 10, "blind": 40}
SEED = {"tune": 4101, "held": 8209, "same": 1621, "blind": 604519}
# faster than this and the feet would slide
SPEED_M_S = {"adult": (4.0, 6.2), "woman": (4.0, 5.8), "tall": (4.2, 6.5), "junior": (4.0, 5.2)}
BODIES = tuple(SPEED_M_S)
WINDOW_S = (-1.35, 0.45)
SEEN_S = np.arange(-0.62, 0.36, 0.03)         # the last strides, in which the whole body must be in the picture
SLIP_M = 0.025                                # a planted foot that the leg cannot reach slides: at most by this
MARGIN_PX, LEAST_MARKS, REACH_UP_M = 6, 5, np.array([0, 0, 1.2])


def deliveries(part: str, seed: int | None = None) -> list[Delivery]:
    """All deliveries of a part, the same ones every time. seed: another draw than the usual one."""
    if part == "same":
        return _same()
    return [delivery(part, n, seed) for n in range(COUNT[part])]


def delivery(part: str, n: int, seed: int | None = None) -> Delivery:
    """The n-th of `tune`, `held` or `blind`; what does not fit is drawn again from the same seed."""
    rng = np.random.default_rng((SEED[part] if seed is None else seed, n))
    while True:
        d = _place(rng, _bowled(rng, f"{part}_{n:03d}", n))
        if fits(d):
            return d


def _same() -> list[Delivery]:
    rng = np.random.default_rng(SEED["same"])
    bowled = Delivery(out="", body="adult", knee=163.0, knee_br=157.0, approach=5.0, final=0.0, speed=5.4, stride=1.42)
    made = []
    while len(made) < COUNT["same"]:
        n = len(made)
        d = replace(_place(rng, bowled), out=f"same_{n:02d}", side=("right", "left")[n % 2],
                    fps=(60.0, 120.0)[n // 2 % 2], size=(1280, 720), near_net=False, bystander=False)
        if fits(d):
            made.append(d)
    return made


def _bowled(rng: np.random.Generator, out: str, n: int) -> Delivery:
    """Who bowls and how. Arm, camera side and body go round in turn, so that every pairing comes up equally often."""
    name = BODIES[n // 4 % 4]
    knee = float(rng.uniform(140, 178))
    approach = float(rng.uniform(-12, 12))
    return Delivery(
        out=out, body=name, kit=str(rng.choice(list("abcd"))), arm="RL"[n % 2], side=("right", "left")[n // 2 % 2],
        knee=knee, knee_br=min(179.0, knee + float(rng.uniform(-18, 8))) if rng.random() < 0.5 else None,
        knee_dip=float(rng.uniform(2, 9)), approach=approach, final=approach if rng.random() < 0.5 else 0.0,
        speed=float(rng.uniform(*SPEED_M_S[name])), stride=float(rng.uniform(0.70, 0.86)) * load(name).stature_m,
        ffy=float(rng.uniform(0.25, 0.6)))


def _place(rng: np.random.Generator, d: Delivery) -> Delivery:
    """From where and how it is filmed; the field of view follows from the drawn height of the figure in pixels."""
    dist, tall_px = float(rng.uniform(6, 10)), float(rng.uniform(230, 330))
    size = (1920, 1080) if rng.random() < 0.25 else (1280, 720)
    blur = 4 if rng.random() < 0.25 else 1
    return replace(
        d, yaw=float(rng.uniform(-35, 40)), dist=dist, height=float(rng.uniform(1.0, 2.2)),
        tx=float(rng.uniform(-1.3, -0.5)),
        hfov=2 * math.degrees(math.atan(640 * load(d.body).stature_m / (tall_px * dist))), size=size,
        fps=float(rng.choice([60, 120, 240], p=[0.50, 0.44, 0.06])), t0=WINDOW_S[0], t1=WINDOW_S[1],
        phase=float(rng.random()), blur=blur, exposure=float(rng.uniform(0.001, 0.004)), noise=float(rng.uniform(2, 5)),
        near_net=bool(rng.random() < 0.10), bystander=bool(rng.random() < 0.10), seed=int(rng.integers(1, 1 << 30)))


def fits(d: Delivery) -> bool:
    """The legs reach where they must, and the last strides and enough marks are in the picture."""
    try:
        bowler = Bowler(d)
    except ValueError:                           # out of reach
        return False
    camera = Camera.of(d)
    marks = sum(camera.sees(np.array(place, float), MARGIN_PX) for place in truth.MARKS_M.values())
    return (marks >= LEAST_MARKS and all(_whole(bowler, camera, t) for t in SEEN_S)
            and max(map(bowler.slip_m, np.arange(*WINDOW_S, 0.02))) <= SLIP_M)


def _whole(bowler: Bowler, camera: Camera, t: float) -> bool:
    """Every joint of the legs and the room above the pelvis that trunk and arms may take are in the picture."""
    joints = [v @ MIRROR if bowler.left else v for v in bowler.motion.pose(t).joints.values()]
    return camera.sees(np.array([*joints, joints[0] + REACH_UP_M]), MARGIN_PX)


def queue() -> list[Delivery]:
    """In the order in which they are wanted: some of `tune`, the same ball from ten places, `tune` and `held` in turn, `blind`."""
    tune, held = deliveries("tune"), deliveries("held")
    rest = [d for pair in zip(tune[20:], held) for d in pair]
    return tune[:10] + deliveries("same") + tune[10:20] + rest + held[20:] + deliveries("blind")


def shoot(wanted: list[Delivery], folder: Path) -> None:
    """One after the other; what is there already is left alone."""
    folder.mkdir(parents=True, exist_ok=True)
    for i, d in enumerate(wanted, 1):
        if not (folder / f"{d.out}.marks.toml").exists():
            doc = film(d, folder)
            knee = doc["events"]["FFC"]["front_knee_deg"]
            print(f"{i}/{len(wanted)} {d.out}: {doc['n']} frames, knee {knee:.1f}", flush=True)


def main(argv: list[str] | None = None) -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("folder", type=Path, metavar="OUT_DIR")
    p.add_argument("--part", choices=tuple(COUNT), help="only this part")
    p.add_argument("--only", type=int, metavar="N", help="only the first N")
    p.add_argument("--seed", type=int, help="another draw of --part than the usual one; `same` has but one")
    asked = p.parse_args(argv)
    if asked.seed is not None and asked.part in (None, "same"):
        p.error("--seed goes with --part tune, held or blind")
    wanted = deliveries(asked.part, asked.seed) if asked.part else queue()
    shoot(wanted[:asked.only], asked.folder)


if __name__ == "__main__":
    main()
