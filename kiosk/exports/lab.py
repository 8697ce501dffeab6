"""Lab: which balls of the log can go to a motion laboratory, and their markers in one row of frames.

A laboratory's file holds one row of evenly spaced frames, so the balls follow one another in it with an empty frame
between them; where each begins, and its moments, is told. A ball without marks, or without looks, has no place in the
pitch frame and is left out with the reason.
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Iterable

import numpy as np

from creaseside import markers, rows
from creaseside.camera import Camera
from creaseside.markers import Markers
from creaseside.stamps import to_s
from kiosk.exports.table import clip_zero_ns
from kiosk.faults import Fault
from kiosk.logbook import Reader
from kiosk.marks import of_row

MOMENTS = ("bfc_s", "ffc_s", "br_s")


@dataclass(frozen=True, slots=True)
class Trial:
    """Balls one after the other. first: {ball's number in the session: its first frame, from 0}. events: (moment, ball,
    frame as a number with a fraction). left_out: {ball: why}. The markers' rate is that of the first ball.
    """

    session: str
    markers: Markers
    first: dict[int, int]
    events: tuple[tuple[str, int, float], ...]
    left_out: dict[int, str]


def trials(log: Reader, session: str | None, player: str | None, numbers: Iterable[int], depth: str,
           each: bool) -> list[Trial]:
    """One trial of all balls, or one each. Fault where none of them has markers."""
    made, why, cameras = [], {}, {}
    balls = log.ball_rows(session, player)
    asked = set(numbers)
    if missing := asked - {ball["number"] for ball in balls}:
        raise Fault(f"ball {min(missing)} of {session or player}", "no such ball", "creaseside sessions show has them")
    for ball in balls:
        if not asked or ball["number"] in asked:
            try:
                made.append((ball, _markers(log, ball, cameras, depth)))
            except ValueError as e:
                why[ball["number"]] = str(e)
    if not made:
        reasons = "; ".join(f"ball {n}: {text}" for n, text in list(why.items())[:3]) or "no ball"
        raise Fault(f"markers of {session or player}", reasons, "markers need looks and marks; export frames instead")
    groups = [[one] for one in made] if each else [made]
    return [_trial(group, why) for group in groups]


def _markers(log: Reader, ball: dict[str, Any], cameras: dict[int, Camera | str], depth: str) -> Markers:
    """ValueError, with the reason, where the ball has none."""
    if ball["setup"] is None or "camera moved" in ball["flags"]:
        raise ValueError("the camera moved" if ball["setup"] else "no marks")
    if ball["setup"] not in cameras:
        cameras[ball["setup"]] = _camera(log, ball["setup"])
    if isinstance(camera := cameras[ball["setup"]], str):
        raise ValueError(camera)
    poses = [pose for track in log.traces(ball["id"]).values() for pose in track]
    if not poses:
        raise ValueError("no looks were kept")
    zero_ns, ffc_s = clip_zero_ns(ball), ball["ffc_s"]
    landing_s = None if ffc_s is None or zero_ns is None else to_s(zero_ns) + ffc_s
    return markers.of(poses, camera, rows.from_row(ball), landing_s, depth)


def _camera(log: Reader, setup: int) -> Camera | str:
    try:
        return of_row(log.setup(setup)).solved()
    except Fault as e:
        return e.found


def _trial(made: list[tuple[dict[str, Any], Markers]], why: dict[int, str]) -> Trial:
    rate = made[0][1].rate_hz
    first, events, parts, seen, at = {}, [], [], [], 0
    for ball, one in made:
        if parts:
            parts.append(np.full((1, len(one.names), 3), np.nan))
            seen.append(np.zeros((1, len(one.names))))
            at += 1
        first[ball["number"]] = at
        begins_s = one.first_s - to_s(zero_ns) if (zero_ns := clip_zero_ns(ball)) is not None else None
        events += [(name.removesuffix("_s").upper(), ball["number"], at + (ball[name] - begins_s) * one.rate_hz)
                   for name in MOMENTS if ball[name] is not None and begins_s is not None]
        parts.append(one.xyz_mm)
        seen.append(one.visibility)
        at += len(one)
    whole = Markers(made[0][1].names, rate, made[0][1].first_s, np.concatenate(parts), np.concatenate(seen),
                    made[0][1].depth, max(m.late_s for _, m in made))
    return Trial(made[0][0]["session"], whole, first, tuple(events), dict(why))
