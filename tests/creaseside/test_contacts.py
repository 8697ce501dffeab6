"""Contacts: a foot's landing between two looks, at any frame rate, and no contact where no foot stood."""

from __future__ import annotations

import numpy as np
import pytest

from creaseside import contacts, lane, phases, track
from creaseside.pose import INDEX
from tests.creaseside.film import EPOCH_S, Film, side_camera
from tests.creaseside.puppet import bowler, goer

# Seconds. Fitted to what one camera can do: a third of a frame, and what the speed's window smears.
LIMIT_S = {25: 0.018, 30: 0.015, 50: 0.010, 60: 0.010, 120: 0.006, 240: 0.006}


def found(film, side, speed=5.5, first=-1.0, last=0.25):
    close = track.cleaned(track.of(film.poses(first, last)))
    return contacts.of(close, lane.of(close, film.camera), side, speed)


@pytest.mark.parametrize("fps", LIMIT_S)
@pytest.mark.parametrize("landing, view", [((0.3, -2.0), "right"), ((0.9, -1.6), "left"), ((1.5, -1.2), "right")])
def test_every_landing_is_timed_to_a_fraction_of_a_frame(fps, landing, view):
    p = bowler(landing=landing)
    film = Film(p, side_camera(view), fps=fps)
    for side in ("left", "right"):
        told = [d.on for d in p.downs if d.side == side and -0.93 < d.on < 0.05]
        seen = [c for c in found(film, side) if c.on_s - EPOCH_S > -0.95]
        assert len(seen) == len(told) >= 2
        for c, on in zip(seen, told):
            assert abs(c.on_s - EPOCH_S - on) <= min(LIMIT_S[fps], 2 * np.hypot(c.on_sd_s, 0.0045))
            assert np.isnan(c.off_s) or c.off_s > c.on_s


def test_a_foot_that_is_down_from_the_first_look_on_has_a_place_but_no_moment():
    contact, = found(Film(goer(0.0), fps=60), "left", first=-1.0, last=1.0)
    assert np.isinf(contact.on_sd_s) and contact.on_s - EPOCH_S == pytest.approx(-1.0, abs=1 / 60)
    assert not phases.likeliest([contact], contact.on_s + 0.2, phases.BFC_TO_FFC_S, 0.2)


def test_a_foot_that_was_not_seen_has_no_contact():
    film = Film(bowler(), fps=120, hidden={n: (-2, 1) for n in ("left_heel", "left_toe")})
    assert found(film, "left") == [] and found(film, "right")


@pytest.mark.parametrize("fps, until_s", [(120, 0.0), (120, 0.01), (240, -0.008)])
def test_a_foot_that_was_hidden_while_it_came_down_is_in_doubt_for_as_long(fps, until_s):
    """Also where it is seen for one look more before it stands: one look alone tells no speed."""
    from_s = -0.06
    film = Film(bowler(), fps=fps, hidden={f"left_{part}": (from_s, until_s) for part in ("heel", "toe", "ankle")})
    landed = min(found(film, "left"), key=lambda c: abs(c.on_s - EPOCH_S))
    assert 0.8 * (until_s - from_s) / np.sqrt(12) < landed.on_sd_s < 1.6 * (until_s - from_s) / np.sqrt(12)
    assert abs(landed.on_s - EPOCH_S) < 2.2 * landed.on_sd_s      # 1.7 at the most, and noise


def test_heel_or_toe_alone_will_do():
    film = Film(bowler(), fps=120, hidden={"left_heel": (-2, 1)})
    assert min(abs(c.on_s - EPOCH_S) for c in found(film, "left")) < 0.008


def slipped(film, end, first_s, last_s, by_m):
    """The film with one landmark of the left foot (or all of them) so far ahead along the pitch between two moments."""
    there = (film.t >= first_s) & (film.t < last_s)
    one_px = film.camera.project([[1.0, 0.4, 0.0]])[0] - film.camera.project([[0.0, 0.4, 0.0]])[0]
    xy = film.xy.copy()
    xy[np.ix_(there, [INDEX[f"left_{part}"] for part in ((end,) if end else ("heel", "toe", "ankle"))])] += by_m * one_px
    film.__dict__.update(xy=xy)
    return film


@pytest.mark.parametrize("end", ["heel", "toe"])
def test_one_end_that_seems_to_stand_early_makes_no_landing(end):
    """Its landmark runs 6 cm ahead of the foot a fiftieth of a second before it lands, and waits there."""
    film = slipped(Film(bowler(), side_camera(), fps=60), end, -0.035, -0.008, 0.06)
    assert min(abs(c.on_s - EPOCH_S) for c in found(film, "left")) < 0.010


def test_a_foot_that_was_seen_ahead_and_comes_back_did_not_leave_the_ground():
    """As a far foot does that was hidden by the other leg: 7 cm ahead in the look in which it lands."""
    film = slipped(Film(bowler(), side_camera(), fps=60), None, -0.012, 0.006, 0.07)
    near = [c for c in found(film, "left") if abs(c.on_s - EPOCH_S) < 0.08]
    assert len(near) == 1 and abs(near[0].on_s - EPOCH_S) < 0.018


def test_fewer_than_three_looks_are_no_contact():
    assert found(Film(bowler(), fps=60), "left", first=0.0, last=0.02) == []
