"""The demo net: two invented bowlers, six balls, and all that a camera sees in between: python -m tests.footage.session.

Writes net.mp4, net.marks.toml, net.truth.json and net.toml (the bowlers) into a folder. The clip comes last and is whole
as soon as it is there.
"""
from __future__ import annotations

import argparse
import json
import multiprocessing
import os
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from tests.footage import truth
from tests.footage.acts import Act, Ball, Jog, Practice
from tests.footage.camera import AIM_M, Camera
from tests.footage.delivery import Delivery
from tests.footage.film import Film, Grain
from tests.footage.measures import of_ball
from tests.footage.net import Net

DEMO = Path(__file__).resolve().parents[2] / "assets" / "demo"
FPS, SEED, NOISE, CRF = 60.0, 5, 1.5, 24
ENCODER = ("-preset", "slow", "-g", "60", "-movflags", "+faststart")
JOG_RATE, PASSING_RATE, PASSING_Y_M = 0.62, 0.65, -3.2
BRAM, ISHA = "p-demo-bram", "p-demo-isha"
PLAYERS = f"""\
# The bowlers of the demo net. Both are invented, and so is their consent.
[[player]]
id = "{BRAM}"
shown_name = "Bram"
arm = "right"
age_group = "adult"
consent = "invented, as the bowler is"

[[player]]
id = "{ISHA}"
shown_name = "Isha"
arm = "left"
age_group = "adult"
consent = "invented, as the bowler is"
"""
_BRAM = Delivery(out="net", body="adult", kit="a", arm="R", speed=5.6, stride=1.42, ffy=0.45, t0=-1.35, t1=1.5)
_ISHA = Delivery(out="net", body="woman", kit="b", arm="L", speed=5.0, stride=1.28, ffy=0.40, t0=-1.45, t1=1.5)
_PASSER = Delivery(out="net", body="tall", kit="d", speed=3.4)
BALLS = (
    replace(_BRAM, knee=167, knee_br=164, knee_dip=3, approach=1.5, final=1.5, phase=0.21),
    replace(_ISHA, knee=154, approach=2, final=2, phase=0.68),
    replace(_BRAM, knee=174, knee_br=176, knee_dip=2, approach=-2, final=-2, speed=5.8, phase=0.45),
    replace(_ISHA, knee=148, knee_br=139, approach=-3, final=-3, speed=4.8, phase=0.83),
    replace(_BRAM, knee=161, approach=14, final=0, turn=(-0.7, -0.15), speed=5.3, phase=0.07),     # round the umpire
    replace(_ISHA, knee=171, knee_br=169, knee_dip=3, approach=1, final=1, speed=5.1, phase=0.52),
)


def camera() -> Camera:
    return Camera(hfov=52, dist=8.0, height=1.6, yaw=3.0, target=(-1.1, 0.0, AIM_M), side="left")


@dataclass(frozen=True, slots=True)
class Thing:
    """Something to be seen that is not a ball."""

    what: str
    from_s: float
    to_s: float


class Timetable:
    """acts: everyone who moves, far to near; balls among them; seconds: the clip's length."""

    def __init__(self) -> None:
        self.seconds, self.acts, self.things = 0.0, [], []
        self._pause("empty net", 1.0)
        for n, d in enumerate(BALLS):
            if n == 3:
                self._passes(self.seconds - 1.5, self.seconds + 4.3, x_m=5.2, facing=-1, rate=PASSING_RATE)
            self._bowls(d)
            if n == len(BALLS) - 1:
                break
            self._pause("empty net", 1.0 if n == 4 else 0.3)
            if n == 1:
                self._passes(self.seconds + 0.3, self.seconds + 6.1, x_m=-7.4, facing=1, rate=PASSING_RATE)
            self._jogs_back(d)
            if n == 1:
                self._practises(BALLS[0])
            self._pause("empty net", 0.3)
        self._pause("empty net", 0.5)

    @property
    def frames(self) -> int:
        return round(self.seconds * FPS)

    @property
    def balls(self) -> list[Ball]:
        return [a for a in self.acts if isinstance(a, Ball)]

    def on(self, clip_s: float) -> list[Act]:
        return [a for a in self.acts if a.start_s <= clip_s < a.end_s]

    def _pause(self, what: str, seconds: float) -> None:
        self.things.append(Thing(what, self.seconds, self.seconds + seconds))
        self.seconds = _framed(self.seconds + seconds)

    def _bowls(self, d: Delivery) -> None:
        self.acts.append(Ball(replace(d, fps=FPS), BRAM if d.arm == "R" else ISHA, self.seconds))
        self.seconds = _framed(self.acts[-1].end_s)

    def _jogs_back(self, d: Delivery) -> None:
        y = 1.15 if d.arm == "R" else -0.9
        jog = Jog(replace(d, speed=4.0), self.seconds, 4.15, 4.1, y, -1, JOG_RATE)
        self._add(jog, "jogs back, facing away")

    def _practises(self, d: Delivery) -> None:
        practice = Practice(replace(d, speed=4.0, approach=0, final=0), self.seconds, 7.5, -5.7, 0.45, JOG_RATE)
        self.things.append(Thing("slow practice of the action without a run-up", *practice.slow_s()))
        self._add(practice, "walks in, practises slowly, goes out again")

    def _add(self, act: Act, what: str) -> None:
        self.acts.append(act)
        self.things.append(Thing(what, act.start_s, act.end_s))
        self.seconds = _framed(act.end_s)

    def _passes(self, from_s: float, to_s: float, x_m: float, facing: int, rate: float) -> None:
        """Behind the lane, so before all others in the list."""
        self.acts.insert(0, Jog(_PASSER, from_s, to_s - from_s, x_m, PASSING_Y_M, facing, rate))
        self.things.append(Thing("someone else passes behind the lane", from_s, to_s))


def _framed(clip_s: float) -> float:
    """The time of the next whole frame."""
    return float(np.ceil(clip_s * FPS - 1e-6) / FPS)


class Studio:
    """Draws any frame of the timetable, the same one every time."""

    def __init__(self) -> None:
        self.timetable = Timetable()
        self.camera = camera()
        self.grain = Grain((self.camera.W, self.camera.H), NOISE, SEED)

    @cached_property
    def net(self) -> Net:
        return Net(self.camera, SEED)

    def frame(self, i: int) -> np.ndarray:
        image = self.net.empty
        for act in self.timetable.on(i / FPS + 1e-9):
            image = self.net.frame([act.mesh(i / FPS)], image)
        self.grain.rng = np.random.default_rng((SEED, i))
        return self.grain.over(image)


_studio: Studio


def _open_studio() -> None:
    global _studio
    _studio = Studio()


def _drawn(i: int) -> np.ndarray:
    return _studio.frame(i)


def document(timetable: Timetable) -> dict:
    """net.truth.json: every ball's measures by their names in the log, and all that must not be taken for a ball."""
    cam, balls = camera(), []
    for b in timetable.balls:
        told = of_ball(b.bowler, cam)
        told |= {k: round(told[k] + b.start_s, 4) for k in ("bfc_s", "ffc_s", "br_s")}
        balls.append({"bowler": b.who} | told)
    things = [{"what": t.what, "from_s": round(t.from_s, 4), "to_s": round(t.to_s, 4)} for t in timetable.things]
    return {"fps": FPS, "frames": timetable.frames, "balls": balls, "not_balls": sorted(things, key=lambda t: t["from_s"]),
            "camera": truth.camera_table(cam)}


def film(folder: Path, jobs: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    timetable = Timetable()
    (folder / "net.marks.toml").write_text(truth.marks(camera(), SEED))
    (folder / "net.toml").write_text(PLAYERS)
    (folder / "net.truth.json").write_text(json.dumps(document(timetable), indent=1) + "\n")
    part = folder / "net.part.mp4"
    with multiprocessing.get_context("spawn").Pool(jobs, _open_studio) as pool:
        with Film(part, (camera().W, camera().H), FPS, CRF, ENCODER) as reel:
            for image in pool.imap(_drawn, range(timetable.frames), chunksize=4):
                reel.put(image)
    os.replace(part, folder / "net.mp4")


def main(argv: list[str] | None = None) -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("folder", type=Path, nargs="?", default=DEMO, metavar="OUT_DIR")
    p.add_argument("--jobs", type=int, default=2, help="processes that draw")
    asked = p.parse_args(argv)
    film(asked.folder, asked.jobs)
    clip = asked.folder / "net.mp4"
    print(f"{clip}: {Timetable().seconds:.1f} s, {clip.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
