"""The line over the stopped picture: on the ground where the focus is on the ground, and where the puppet really went."""
from __future__ import annotations

import numpy as np
import pytest

from creaseside import lines
from creaseside.engine import Engine
from creaseside.focus import Focus
from creaseside.orders import Log, Show
from creaseside.settings import Settings
from tests.creaseside.film import Film, bowl, closely, guess_foot
from tests.creaseside.puppet import bowler, truth

S = Settings()
SHORT = (-1.3, 0.8)


def seen(fps: float = 120, **how):
    film = Film(bowler(**how), fps=fps, between=SHORT)
    return film, closely(film)


def on_the_ground(film, points) -> np.ndarray:
    return film.camera.on_ground(np.array(points))[:, :2]


def heading_deg(film, points) -> float:
    a, b = on_the_ground(film, points)
    return float(np.degrees(np.arctan2(b[1] - a[1], b[0] - a[0])))


def test_the_run_up_is_a_line_on_the_ground_in_its_own_direction():
    film, s = seen()
    points = lines.of(s, 0.0, "approach_deg")
    assert len(points) == 2
    told = truth(film.puppet)["approach_deg"]
    assert heading_deg(film, points) == pytest.approx(told, abs=4)
    assert on_the_ground(film, points)[0, 0] < on_the_ground(film, points)[1, 0] - 1.0      # from behind to ahead


def test_the_line_of_the_feet_goes_from_foot_to_foot():
    film, s = seen()
    a, b = on_the_ground(film, lines.of(s, 0.0, "turn_deg"))
    assert np.hypot(*(b - a)) == pytest.approx(truth(film.puppet)["stride_length_m"], abs=0.1)


def test_the_foots_place_is_held_against_a_line_straight_down_the_pitch():
    film, s = seen()
    points = lines.of(s, 0.0, "front_foot_offset_m")
    assert heading_deg(film, points) == pytest.approx(0.0, abs=1e-6)
    a, b = on_the_ground(film, points)
    assert b[0] - a[0] > s.front.ankle_m[0] - s.back.ankle_m[0]


def test_no_line_is_drawn_to_a_foot_that_was_hidden_and_the_run_ups_ends_before_it():
    film, s = seen()
    guess_foot(film, s.back.side)
    hidden = closely(film)
    assert hidden.back.hidden and np.linalg.norm(hidden.back.ground_m - s.back.ground_m) > 0.35
    assert lines.of(hidden, 0.0, "turn_deg") == lines.of(hidden, 0.0, "front_foot_offset_m") == ()
    told, drawn = (lines.of(one, 0.0, "approach_deg") for one in (s, hidden))
    assert on_the_ground(film, drawn)[0] == pytest.approx(on_the_ground(film, told)[0], abs=0.1)
    assert on_the_ground(film, drawn)[1, 0] < on_the_ground(film, told)[1, 0] - 1.0


@pytest.mark.parametrize("measure", ["front_knee_ffc_deg", "trunk_lean_br_deg", None])
def test_everything_else_has_the_leg(measure):
    assert len(lines.of(seen()[1], 0.0, measure)) == 3


def test_without_marks_there_is_no_ground_to_draw_on():
    s = closely(Film(bowler(), fps=120, between=SHORT), marks=False)
    assert lines.of(s, 0.0, "approach_deg") == () and len(lines.of(s, 0.0, None)) == 3


def test_what_was_asked_when_the_ball_was_bowled_holds_for_it():
    """Somebody presses next while a ball is measured: it is still judged by the focus under which it was bowled."""
    film = Film(bowler(), fps=120, between=SHORT)
    engine = Engine(film.camera, Focus("approach_deg", -45, 45), S.feedback, S.log, "right")
    looked = engine.looked

    def next_player(ball: int) -> None:
        engine.now(Focus("front_knee_ffc_deg", 1, 2), "left")
        looked(ball)
    engine.looked = next_player
    orders = bowl(engine, film)
    ball = next(o.what for o in orders if isinstance(o, Log))
    assert ball.verdict == "hit" and "not as declared" not in " ".join(ball.flags)
    assert len(next(o for o in orders if isinstance(o, Show)).line_px) == 2


def test_the_next_ball_is_judged_by_what_is_asked_now():
    film = Film(bowler(), fps=120, between=SHORT)
    engine = Engine(film.camera, None, S.feedback, S.log, None)
    engine.now(Focus("front_knee_ffc_deg", 1, 2), "right")
    assert next(o.what for o in bowl(engine, film) if isinstance(o, Log)).verdict == "miss"
