"""A coach and two players walk through a session, and every screen on their way is photographed.

    PYTHONPATH=src:. .venv/bin/python -m tests.eye.walk FOLDER [en|hi] [720|1080]

The balls are the demo net's. The players are invented, and so are their consents.
"""
from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Callable

import numpy as np

from kiosk import cards
from tests.eye.hall import Hall

SIZES = {720: (1280, 720), 1080: (1920, 1080)}
NAMES = {"en": ("Bram", "Tara", "Nani Tara"), "hi": ("भरत", "तारा", "नानी तारा")}
PIN = "2580"
Shot = Callable[[str], object]


def card(number: int) -> np.ndarray:
    """A frame in which somebody holds a card, (720, 1280, 3)."""
    frame = np.full((720, 1280, 3), 90, np.uint8)
    dark = np.kron(cards.pattern(number), np.ones((20, 20), bool))
    frame[200:440, 500:740] = 255
    frame[240:400, 540:700] = np.where(dark, 0, 255)[..., None]
    return frame


def digits(hall: Hall, text: str) -> None:
    hall.key(*text)


def walk(hall: Hall, shot: Shot) -> dict[str, str]:
    """The whole session; the ids of the two players."""
    first, second, carer = NAMES[hall.texts.language]
    hall.wait(1.0)
    shot("01_waiting")
    _pin(hall, shot)
    bram = _new_player(hall, shot, first, "adult", first, "player")
    tara = _new_player(hall, None, second, "u13", carer, "parent")
    hall.key("m")
    digits(hall, PIN)
    hall.key("return")
    hall.press("menu_players")
    shot("12_players")
    hall.touch(f"{first} · {hall.say('is_nth', nth=1)}")
    shot("13_player")
    hall.press("player_up")
    _plan(hall, shot)
    _adult(hall, shot)
    _child(hall, shot, tara)
    _wrong(hall, shot, first, second)
    return {"bram": bram, "tara": tara}


def _coach(hall: Hall) -> None:
    hall.key("m")
    digits(hall, PIN)
    hall.key("return")


def _pin(hall: Hall, shot: Shot) -> None:
    """The first time there is none; then a wrong one and the right one."""
    hall.key("m")
    shot("02_coach_without_pin")
    hall.press("menu_pin")
    digits(hall, PIN)
    shot("03_new_pin")
    hall.key("return")
    digits(hall, PIN)
    hall.key("return")
    hall.key("m")
    digits(hall, "1111")
    hall.key("return")
    shot("04_not_the_pin")
    digits(hall, PIN)
    hall.key("return")
    shot("05_coach")
    hall.key("escape")


def _new_player(hall: Hall, shot: Shot | None, name: str, group: str, giver: str, role: str) -> str:
    shot = shot or (lambda name: None)
    _coach(hall)
    hall.press("menu_players", "player_new")
    hall.write(name)
    shot("06_name")
    hall.key("return")
    hall.press("age_open")
    shot("07_age")
    hall.touch(group.upper() if group != "adult" else hall.say("age_adult"))
    hall.press("arm_open")
    if group != "adult":
        hall.press("arm_right")                   # once more: left
    hall.press("height_open")
    digits(hall, "181" if group == "adult" else "152")
    shot("08_height")
    hall.key("return")
    hall.press("keep_numbers")
    shot("09_consent")
    hall.press("keep_clips")
    shot("10_consent_by")
    hall.press(f"by_{role}")
    hall.write(giver)
    hall.key("return")
    shot("11_consent_until")
    hall.press("until_open")
    return hall.log.players()[0]["id"]


def _plan(hall: Hall, shot: Shot) -> None:
    """For the adult: two to warm up, a baseline of four, six on the focus, two alone."""
    _coach(hall)
    hall.press("menu_plan")
    for kind, balls in (("warm_up", 2), ("baseline", 4), ("focus", 6), ("no_feedback", 2)):
        hall.touch(f"{hall.texts.block(kind)[0]}: 0")
        if kind == "focus":
            shot("14_length")
        hall.touch(str(balls))
    shot("15_plan")
    hall.touch(hall.say("feedback_is", how=hall.say("feedback_every")))
    shot("16_feedback")
    hall.press("feedback_every")
    hall.key("escape")
    hall.press("menu_focus")
    shot("17_focus")
    hall.touch(hall.texts.name("approach_deg"))
    shot("18_window")
    hall.press("window_baseline")
    shot("19_focus_is_set")


def _adult(hall: Hall, shot: Shot) -> None:
    hall.wait(7.0)
    shot("20_up_warm_up")
    hall.over(1)
    hall.ball(3)
    hall.until("block")
    shot("21_block_baseline")
    hall.wait(8.0)
    for value in (1.0, 3.0, -1.0):
        hall.over(1, approach_deg=value)
    hall.ball(1, approach_deg=2.0)
    hall.until("block")
    shot("22_block_focus")
    hall.wait(8.0)
    shot("23_own_band")
    hall.wait(10.0)
    shot("24_up_focus")
    for name, number, value in (("inside", 1, 1.4), ("outside", 5, 10.9), ("unsure", 3, 6.0)):
        hall.ball(number, approach_deg=value)
        hall.until("verdict")
        shot(f"25_verdict_{name}")
        hall.until("replay")
        hall.wait(4.0, 0.1)
        shot(f"26_replay_{name}")
        hall.wait(20.0, 1.0)
    for value in (0.5, 4.0):
        hall.over(1, approach_deg=value)
    digits(hall, "112")
    shot("27_speed_typed")
    hall.key("return")
    shot("28_speed")
    hall.key("u")
    shot("29_speed_taken_back")
    hall.key("a")
    shot("30_ball_added")
    hall.key("u")
    hall.key("r")
    hall.wait(2.0, 0.1)
    shot("31_replay_asked_for")
    hall.wait(20.0, 1.0)
    hall.key("s")
    shot("32_block_alone")
    hall.wait(8.0)
    hall.over(1)
    shot("33_up_alone")
    hall.key("r")
    shot("34_no_replay_here")


def _child(hall: Hall, shot: Shot, tara: str) -> None:
    """Checked in with a card; bowled thirteen balls this morning; seven more are near the limit, eleven more at it."""
    number = hall.log.card(tara)
    seat_before = hall.turns.up
    for _ in range(13):
        hall.log.add_counted(hall.log.sessions()[0]["id"], player=tara)
    hall.clock.pass_s(3600)
    hall.film.card = card(number)
    hall.wait(4.0)
    hall.film.card = None
    assert hall.turns.up is not seat_before
    shot("40_checked_in")
    _coach(hall)
    hall.press("menu_focus")
    shot("41_focus_under_18")
    hall.touch(hall.texts.name("front_knee_ffc_deg"))
    shot("42_window_under_18")
    hall.press("window_baseline")
    hall.wait(7.0)
    for _ in range(7):
        hall.over(2)
    shot("43_up_near_the_limit")
    for _ in range(3):
        hall.over(2)
    hall.ball(2)
    hall.until("limit")
    shot("44_limit")
    hall.key("return")
    shot("45_up_at_the_limit")
    hall.over(4)
    _coach(hall)
    hall.press("menu_balls")
    shot("46_balls")
    hall.key("escape", "escape")


def _wrong(hall: Hall, shot: Shot, first: str, second: str) -> None:
    hall.lookout.moved = True
    hall.wait(2.0)
    shot("50_camera_knocked")
    hall.lookout.moved = False
    hall.wait(2.0)
    hall.key("h")
    shot("51_pain_question")
    hall.press("pain_yes")
    shot("52_pain_stop")
    hall.key("n")
    hall.wait(1.0)
    shot("53_next_player")
    _coach(hall)
    hall.press("menu_buttons")
    shot("54_buttons")
    hall.press("do_pain")
    shot("55_press_now")
    hall.key("x")
    shot("56_learned")
    hall.key("escape", "escape")
    hall.wait(320.0, 10.0)
    shot("57_waiting_again")


def main(folder: Path, language: str, height: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as home:
        hall = Hall(Path(home), language=language, size=SIZES[height])
        walk(hall, lambda name: hall.stage.screen.photo(folder / f"{height}_{language}_{name}.png"))
        faults = hall.kept
        hall.close()
    if faults:
        sys.exit(f"asked a walk without a fault; found {faults}")


if __name__ == "__main__":
    if not 2 <= len(sys.argv) <= 4:
        sys.exit("asked a folder for the pictures; found none; give it: python -m tests.eye.walk FOLDER [en|hi] [720|1080]")
    given = sys.argv[2:]
    for language in [w for w in given if w in NAMES] or list(NAMES):
        for height in [int(w) for w in given if w.isdigit()] or list(SIZES):
            main(Path(sys.argv[1]), language, height)
