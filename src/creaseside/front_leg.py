"""Front leg: its knee at every look, by all that tells of it: the table of `joints` as it lands, how long the other leg looks
(`bones`), what a second model says (`opinion`).

What is told of the landing fades out after it: the leg then leans and gives way, which the table was not made for.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from creaseside import bones, joints, opinion
from creaseside.lane import Lane
from creaseside.phases import Phases
from creaseside.pose import LEFTWARDS
from creaseside.track import Track, hips_slipped

LATE_OUT_M = (0.045, 0.0)          # hip and knee, to their own side of the plane through the ankle: by release the knee points ahead
LANDED_S = (0.050, 0.090)          # after the landing, between which that takes the table's place (rendered: smallest knee 5.0 degrees
                                   # with the table to the end, 4.3 so)


@dataclass(frozen=True, slots=True)
class Knee:
    """The signed knee at every close look (T,), degrees, 180 straight; and how far apart from what the first model makes of it the
    second one has it, beyond what is usual (T,), NaN where it does not say."""

    read_deg: np.ndarray
    apart_deg: np.ndarray


def knee(close: Track, live: Track, second: Track | None, lane: Lane, when: Phases) -> Knee:
    """In the plane `lane` through the front foot."""
    marks = [close[f"{when.front}_{joint}"] for joint in joints.JOINTS]
    plain = _late_deg(lane, when.front, marks)
    if not when.ffc:
        return Knee(plain, np.full(len(close), np.nan))
    after = close.t_s - when.ffc.value
    late = np.clip((after - LANDED_S[0]) / (LANDED_S[1] - LANDED_S[0]), 0.0, 1.0)
    read = (1 - late) * joints.signed_deg(*joints.leg(lane, when.front, *marks)) + late * plain
    landing = np.flatnonzero(np.abs(after) < LANDED_S[0])
    read[landing[hips_slipped(close, landing)]] = np.nan
    read -= bones.off_deg(close, live, lane, when, late)
    apart = opinion.apart_deg(close, read, second, lane, when.front, when.ffc.value)
    return Knee(read + (1 - late) * opinion.off_deg(apart, lane.is_near(when.front)), apart)


def _late_deg(lane: Lane, side: str, marks: list[np.ndarray]) -> np.ndarray:
    return joints.signed_deg(*(lane.flat(xy, LEFTWARDS[side] * out) for xy, out in zip(marks, (*LATE_OUT_M, 0.0))))
