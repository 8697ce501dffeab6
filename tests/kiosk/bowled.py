"""Balls, poses and frames for the log's tests, and a kiosk's home to log them in."""
from __future__ import annotations

import math
import random
from datetime import timedelta
from pathlib import Path

import cv2
import numpy as np

from creaseside.ball import FRONT_LEG_ACTIONS, QUANTITIES, VERDICTS, Ball, Value
from creaseside.pose import NAMES, Pose
from creaseside.stamps import NS, Stamp
from kiosk.logbook import Logbook
from kiosk.place import Place
from tests.kiosk.handclock import HandClock


class JumpingClock(HandClock):
    """Its wall can be set to another day while its monotonic time goes on."""

    ahead = timedelta()

    def utc_and_ns(self):
        wall, ns = super().utc_and_ns()
        return wall + self.ahead, ns


def some_ball(seed: int) -> Ball:
    """About a third of the numbers not measured, one of them as NaN; reasons with quotes and another script."""
    r = random.Random(seed)
    nothing = Value.missing("the foot's \"hidden\""), Value.missing(""), Value(math.nan, 1.0, "पैर नहीं दिखा")
    values = {q.name: Value(r.uniform(-200, 200), r.choice((None, r.uniform(0, 9)))) if r.random() < 0.7
              else r.choice(nothing) for q in QUANTITIES}
    return Ball(r.choice(("right", "left", None)), values, r.choice((None, *FRONT_LEG_ACTIONS)), r.random(),
                tuple(r.sample(["dim", "low frame rate", "camera moved"], r.randrange(4))),
                r.choice((None, *VERDICTS)), {"front_leg_action": "no dense track"} if r.random() < 0.5 else {})


def some_poses(n: int, model: str, seed: int = 0) -> list[Pose]:
    """`n` frames at 120 fps; the last one is of nobody."""
    r, size = np.random.default_rng(seed), len(NAMES)
    xy = r.uniform(0, 1280, (n, size, 2)).astype(np.float32)
    xy[0, 3] = np.nan
    poses = [Pose(Stamp(i, i * NS // 120), xy[i], r.normal(size=(size, 3)).astype(np.float32),
                  r.random(size).astype(np.float32), model) for i in range(n - 1)]
    return [*poses, Pose.nobody(Stamp(n - 1, (n - 1) * NS // 120), model, "nobody in the lane")]


def same_poses(a, b) -> bool:
    arrays = "xy_px", "world_m", "visibility"
    return len(a) == len(b) and all(
        (p.stamp, p.model, p.missing) == (q.stamp, q.model, q.missing)
        and all(np.array_equal(getattr(p, f), getattr(q, f), equal_nan=True) for f in arrays) for p, q in zip(a, b))


def some_frames(n: int, seed: int = 0, fps: float = 120.0) -> list[tuple[Stamp, bytes]]:
    """Small JPEGs of noise, so that their lengths differ, odd and even."""
    r = np.random.default_rng(seed)
    pictures = (cv2.imencode(".jpg", r.integers(0, 256, (48, 64, 3), np.uint8))[1].tobytes() for _ in range(n))
    return [(Stamp(i, 5 * NS + round(i * NS / fps)), jpeg) for i, jpeg in enumerate(pictures)]


def agreed_player(log: Logbook, name: str = "Sam", **more) -> str:
    """An adult who agreed to clips."""
    player = log.add_player(name, age_group="adult", **more)
    log.add_consent(player, "clips", name)
    return player


def home(folder: Path) -> Place:
    return Place(folder / "home", quiet=True)


def sums(log) -> list[tuple]:
    """What the log keeps of each player and day, once it is seen to be what counting every ball gives."""
    kept = log._db.execute("select player, day, balls, flagged from bowled order by 1, 2").fetchall()
    assert kept == log._db.execute("select player, date(thrown_utc, utc_offset_min || ' minutes') as day, count(*), "
                                   "sum(flags <> '[]') from ball where player is not null group by 1, 2 order by 1, 2").fetchall()
    return kept
