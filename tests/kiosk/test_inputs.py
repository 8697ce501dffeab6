"""Whatever is pressed, the same few actions come of it, and once."""
from __future__ import annotations

import pygame
import pytest

from kiosk.faults import Fault
from kiosk.inputs import ACTIONS, USUAL, Inputs, Press
from kiosk.scenes.scene import Button

MS = 1_000_000
K, UP, E = pygame.KEYDOWN, pygame.KEYUP, pygame.event.Event


def key(which: int, kind: int = K, at_ms: float | None = None) -> pygame.event.Event:
    return E(kind, key=which, **({} if at_ms is None else {"t_ns": round(at_ms * MS)}))


@pytest.fixture(autouse=True)
def names_of_keys():
    pygame.display.init()      # without it no key has a name


def test_every_usual_button_stands_for_a_known_action():
    assert set(USUAL.values()) <= set(ACTIONS)
    assert {"next_player", "previous_player", "replay", "skip", "add_ball", "pain", "menu",
            "undo"} <= set(USUAL.values())


@pytest.mark.parametrize("event, action", [
    (key(pygame.K_n), "next_player"), (key(pygame.K_PAGEDOWN), "next_player"),
    (key(pygame.K_PAGEUP), "previous_player"), (key(pygame.K_r), "replay"), (key(pygame.K_PERIOD), "replay"),
    (key(pygame.K_s), "skip"), (key(pygame.K_a), "add_ball"), (key(pygame.K_h), "pain"),
    (key(pygame.K_m), "menu"), (key(pygame.K_u), "undo"), (key(pygame.K_ESCAPE), "cancel"),
    (E(pygame.JOYBUTTONDOWN, button=0, joy=0), "next_player"), (E(pygame.QUIT), "quit")])
def test_buttons(event, action):
    assert Inputs().read([event], 7) == [Press(action, 7)]


def test_a_bouncing_contact_counts_once():
    """Closing, and opening, take some milliseconds: 8 edges within 30 ms, and a second press 200 ms later."""
    bounce = [key(pygame.K_n, kind, 100 + 4 * i) for i, kind in enumerate([K, UP] * 4)]
    release = [key(pygame.K_n, kind, 250 + 4 * i) for i, kind in enumerate([UP, K, UP])]
    again = [key(pygame.K_n, K, 450)]
    assert [p.at_ns for p in Inputs().read(bounce + release + again, 0)] == [100 * MS, 450 * MS]


def test_two_buttons_at_once_are_two_presses():
    pressed = Inputs().read([key(pygame.K_n, K, 1), key(pygame.K_r, K, 2)], 0)
    assert [p.action for p in pressed] == ["next_player", "replay"]


def test_touch_and_mouse_hit_the_button_that_is_there():
    buttons = [Button(pygame.Rect(100, 100, 200, 100), "pain"), Button(pygame.Rect(400, 100, 200, 100), "cancel")]
    inputs = Inputs()
    touch = E(pygame.FINGERDOWN, x=150 / 1280, y=150 / 720)
    shadow = E(pygame.MOUSEBUTTONDOWN, button=1, pos=(150, 150), touch=True)
    assert inputs.read([touch, shadow], 0, buttons, (1280, 720)) == [Press("pain", 0)]
    mouse = E(pygame.MOUSEBUTTONDOWN, button=1, pos=(450, 150), touch=False)
    assert inputs.read([mouse], 100 * MS, buttons, (1280, 720)) == [Press("cancel", 100 * MS)]
    beside = E(pygame.MOUSEBUTTONDOWN, button=1, pos=(5, 5), touch=False)
    assert inputs.read([beside], 200 * MS, buttons)[0].action == "cancel"
    assert inputs.read([beside], 300 * MS)[0].action == "menu"


@pytest.mark.parametrize("keys, speed", [
    ("118\r", 118), ("0096\r", 96), ("12\b18\r", 118), ("7\r", None), ("999\r", None), ("118\x1b\r", None),
    ("\r", None)])
def test_a_speed_is_typed(keys, speed):
    inputs, found = Inputs(), []
    for i, c in enumerate(keys):
        found += inputs.read([key(pygame.key.key_code({"\r": "return", "\b": "backspace", "\x1b": "escape"}.get(c, c)),
                                  K, 200 * i)], 0)
    assert [p.number for p in found if p.action == "speed"] == ([speed] if speed else [])


def typed(inputs: Inputs, keys: str) -> list[Press]:
    return [p for i, c in enumerate(keys) for p in
            inputs.read([key(pygame.key.key_code({"\r": "return"}.get(c, c)), K, 200 * i)], 0)]


def test_miles_an_hour_by_setting():
    """1 mile is 1.609344 km (international yard and pound agreement, 1959); 75 mph is 120.7 km/h."""
    (press,) = typed(Inputs(unit="mph"), "75\r")
    assert (press.action, press.number, press.text) == ("speed", 120.7, "75 mph")
    assert typed(Inputs(unit="mph"), "120\r") == [] and typed(Inputs(), "120\r")[0].number == 120


def test_digits_are_digits_while_a_question_is_asked():
    inputs = Inputs()
    inputs.mode = "asking"
    assert [(p.action, p.number) for p in typed(inputs, "42")] == [("digit", 4), ("digit", 2)] and inputs.typed == ""
    assert [p.action for p in inputs.read([key(pygame.K_DOWN)], 9000 * MS)] == ["next_player"]


def test_letters_are_letters_while_a_name_is_written():
    """Also those that no key of the table has, as an input method composes them."""
    inputs = Inputs()
    inputs.mode = "writing"
    events = [key(pygame.K_n, K, 1), E(pygame.TEXTINPUT, text="न"), key(pygame.K_BACKSPACE, K, 200),
              key(pygame.K_RETURN, K, 400), E(pygame.JOYBUTTONDOWN, button=0, joy=0, t_ns=600 * MS)]
    assert [(p.action, p.text) for p in inputs.read(events, 0)] == [
        ("write", "न"), ("undo", ""), ("confirm", ""), ("next_player", "")]
    assert Inputs().read([E(pygame.TEXTINPUT, text="n")], 0) == []


def test_escape_is_the_way_out_of_learning():
    kept = []
    inputs = Inputs(learned=lambda table: kept.append(dict(table)))
    inputs.learn("pain")
    assert [p.action for p in inputs.read([key(pygame.K_ESCAPE)], 0)] == ["cancel"] and kept == []
    inputs.learn("pain")
    inputs.read([key(pygame.K_x)], 200 * MS)
    assert kept[0]["key:x"] == "pain" and kept[0]["key:escape"] == "cancel"


def test_a_foot_switch_is_learned():
    inputs = Inputs()
    inputs.learn("pain")
    assert inputs.read([E(pygame.JOYBUTTONDOWN, button=9, joy=0)], 0) == [] and inputs.learning is None
    assert inputs.read([E(pygame.JOYBUTTONDOWN, button=9, joy=0)], 100 * MS) == [Press("pain", 100 * MS)]


def test_an_unknown_action_is_refused_with_the_nearest():
    with pytest.raises(Fault, match="next_player"):
        Inputs({"key:x": "nextplayer"})
