"""Swing: each look's arms under one name, where some looks took one for the other."""
from __future__ import annotations

import numpy as np
import pytest

from creaseside import lane, swing, track
from creaseside.pose import INDEX
from tests.creaseside.film import EPOCH_S, Film
from tests.creaseside.puppet import bowler, goer

RELEASE_S = 0.11


def looks(film: Film):
    close = track.of(film.poses(-0.4, 0.3))
    return close, lane.of(close, film.camera)


def only_swing(close: track.Track, plane: lane.Lane) -> swing.Swing:
    [found] = swing.over_the_top(close, plane)
    return found


@pytest.mark.parametrize("arm", ["right", "left"])
@pytest.mark.parametrize("amiss", [(6,), (3, 4), (0, 2, 5)])
def test_arms_that_were_mixed_up_about_a_release_are_told_apart(arm, amiss):
    """Numbers of looks at 60 a second, from 50 ms before the release to 60 after it."""
    close, plane = looks(Film(bowler(arm=arm), fps=60))
    first = int(np.searchsorted(close.t_s, EPOCH_S + RELEASE_S - 0.05))
    mixed = close.crossed(first + np.array(amiss), track.ARMS)
    again = swing.told_apart(mixed, plane, only_swing(mixed, plane))
    passes = slice(first, first + 7)
    names = [INDEX[f"{arm}_{part}"] for part in ("elbow", "wrist")]
    assert not np.array_equal(mixed.xy_px[passes], close.xy_px[passes])
    assert np.array_equal(again.xy_px[passes][:, names], close.xy_px[passes][:, names])
    assert np.array_equal(again.t_s, close.t_s) and np.array_equal(again.sole_px, close.sole_px)


def test_an_arm_that_was_not_seen_is_not_the_other():
    close, plane = looks(Film(bowler(), fps=60, hidden={"right_wrist": (0.08, 0.12)}))
    unseen = np.isnan(close["right_wrist"]).all(1)
    again = swing.told_apart(close, plane, only_swing(close, plane))
    assert unseen.sum() >= 2 and np.isnan(again["right_wrist"][unseen]).all()


def test_whoever_does_not_bowl_has_no_swing():
    close, plane = looks(Film(goer(1.4), fps=60))
    assert len(close) > 20 and not swing.over_the_top(close, plane)
