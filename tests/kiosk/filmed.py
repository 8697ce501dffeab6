"""A home with filmed balls: sessions of stick figures whose joints are known, with marks, looks and clips."""
from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np

from creaseside import rows
from creaseside.ball import Ball, Value
from creaseside.pitch import MARKS
from creaseside.stamps import NS, Stamp
from kiosk import clips
from kiosk.logbook import Logbook
from kiosk.marks import Marks
from kiosk.sources.numbered import picture
from tests.creaseside.film import EPOCH_S, Film
from tests.creaseside.puppet import bowler

FIRST_S = 0.9           # from the clip's first frame to front foot contact
SPAN_S = (-0.4, 0.25)
SKIN = (90, 140, 200)   # BGR of a drawn face, and of nothing else in the picture


def numbered_clip(file: Path, frames: int) -> None:
    """A file of small numbered pictures, 30 a second, in which nobody is."""
    film = cv2.VideoWriter(str(file), cv2.VideoWriter_fourcc(*"MJPG"), 30, (320, 240))
    for i in range(frames):
        film.write(picture(i, 320, 240))
    film.release()


def marks(film: Film) -> Marks:
    """As a steady hand would place them in that camera's picture."""
    names = ("middle_stump_base", "middle_stump_top", "bowling_crease_left", "bowling_crease_right",
             "popping_crease_left", "popping_crease_right")
    pixels = film.camera.project(np.array([MARKS[n] for n in names]))
    return Marks(film.camera.width_px, film.camera.height_px,
                 {n: (float(x), float(y)) for n, (x, y) in zip(names, pixels)})


def a_film(**more) -> Film:
    return Film(bowler(**more), fps=60.0, between=SPAN_S)


def measured() -> Ball:
    values = dict(rows.counted("not asked").values)
    values |= {"ffc_s": Value(FIRST_S, 0.002), "br_s": Value(FIRST_S + 0.11, 0.004), "approach_deg": Value(0.0, 2.0),
               "front_knee_ffc_deg": Value(165.25, 3.0)}
    return Ball("right", values, quality=0.9)


def bowl(log: Logbook, player: str | None, balls: int = 2, session: str | None = None, clip: bool = False,
         with_marks: bool = True) -> str:
    """A session's id, with so many balls of one film. clip: with its pictures, where consent allows them."""
    film = a_film()
    setup = log.note_setup(marks(film)) if with_marks else None
    session = session or log.start_session(player, venue="=net 2", setup=setup)
    for _ in range(balls):
        ball = log.add_ball(session, measured(), player=player, poses=film.poses(),
                            thrown_ns=round((EPOCH_S + 0.11) * NS))
        if clip:
            clips.keep(log, ball, pictures())
    return session


@cache
def pictures() -> list[tuple[Stamp, bytes]]:
    """A JPEG a look of the film: a grey net, and a face of its own colour where the head is."""
    made, film = [], a_film()
    for pose in film.poses():
        picture = np.full((film.camera.height_px, film.camera.width_px, 3), 120, np.uint8)
        x, y = (round(float(v)) for v in pose["nose"])
        cv2.ellipse(picture, (x, y), (11, 15), 0, 0, 360, SKIN, -1)
        made.append((pose.stamp, cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()))
    return made
