"""Bench: its parts; the whole of it is run by hand, since it times a machine."""
from __future__ import annotations

import numpy as np
import pytest

from creaseside import looks, track
from creaseside.finder import Candidate
from kiosk import bench
from kiosk.stir import Stir
from kiosk.sources import jpeg
from tests.creaseside.film import Film, asked_frames
from tests.creaseside.puppet import bowler


@pytest.mark.parametrize("fps", [60, 120, 240])
def test_the_floor_counts_the_looks_that_are_asked_for(fps):
    film = Film(bowler(), fps=fps)
    spans = looks.deciding(track.of(film.poses(-0.4, 0.2)), Candidate(100.1, 100.0, "right", "left", 5.0), (1280, 720),
                           "front_knee_ffc_deg")
    assert abs(len(asked_frames(film, spans)) - looks.deciding_count(fps)) <= 3


def test_no_ratio_without_both_times():
    assert bench._over(1.0, 4.0) == 0.25 and bench._over(None, 4.0) is None and bench._over(1.0, 0) is None


def test_an_empty_lane_stirs_when_somebody_steps_into_it_and_not_when_a_lamp_flickers():
    rng = np.random.default_rng(5)
    lane = rng.integers(60, 160, (720, 1280, 3), np.uint8)

    def seen(change: int = 0, person: bool = False) -> bytes:
        picture = np.clip(lane.astype(int) + rng.normal(0, 3, lane.shape) + change, 0, 255).astype(np.uint8)
        if person:
            picture[300:500, 40:100] = 20
        return jpeg.encode(picture)
    stir = Stir()
    assert stir.stirs(seen())                        # nothing to compare with: look
    assert not stir.stirs(seen()) and not stir.stirs(seen(change=6))
    assert stir.stirs(seen(change=6, person=True))
    assert not stir.stirs(seen(change=6, person=True))      # and standing there is not moving
    assert stir.stirs(b"no picture")
