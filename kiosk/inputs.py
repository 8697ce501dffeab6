"""Inputs: keys, presenters, foot switches, mouse and touch, all turned into the same few actions.

A foot switch or a presenter is a keyboard or a gamepad to the computer; which of its buttons means what is a table that
can be learned anew. This room carries nothing out.
"""
from __future__ import annotations

import difflib
import os
from dataclasses import dataclass
from typing import Callable, Iterable, Mapping, Sequence

from creaseside.stamps import NS
from kiosk.faults import Fault

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
import pygame  # noqa: E402

DEBOUNCE_NS = NS // 20               # a worn switch closes several times within a few milliseconds
SPEED_KM_H = (30, 180)               # what a ball's speed typed in may be; common practice, no source
KM_H = {"km/h": 1.0, "mph": 1.609344}      # the international mile, 1959
DIGITS = 3
MODES = ("bowling", "asking", "writing")
ASKING = {"key:up": "previous_player", "key:down": "next_player", "key:space": "confirm"}
WRITING = {"key:return": "confirm", "key:enter": "confirm", "key:escape": "cancel", "key:backspace": "undo"}

ACTIONS = ("next_player", "previous_player", "replay", "skip", "add_ball", "pain", "menu", "undo", "confirm", "cancel",
           "quit")
USUAL: Mapping[str, str] = {
    "key:n": "next_player", "key:page down": "next_player", "key:right": "next_player",
    "key:p": "previous_player", "key:page up": "previous_player", "key:left": "previous_player",
    "key:r": "replay", "key:space": "replay", "key:b": "replay", "key:.": "replay",     # a presenter's black-out button
    "key:s": "skip", "key:a": "add_ball", "key:h": "pain", "key:m": "menu", "key:f5": "menu", "key:u": "undo",
    "key:backspace": "undo", "key:return": "confirm", "key:enter": "confirm", "key:escape": "cancel", "key:q": "quit",
    "button:0": "next_player", "button:1": "replay", "button:2": "previous_player", "button:3": "menu",
}


@dataclass(frozen=True, slots=True)
class Press:
    """action: one of ACTIONS, "speed" with `number` in km/h and its `text` as typed, "digit" with its `number`, "write"
    with its `text`, or what a button on the screen stands for."""

    action: str
    at_ns: int
    number: float | None = None
    text: str = ""


class Inputs:
    """`table`: a button's code ("key:n", "button:0") -> the action. `typed`: the digits of a speed so far.

    mode: "bowling": digits are a ball's speed; "asking": they are digits, and arrows go up and down; "writing": keys are
    letters. learned: told of the table when a button was learned.
    """

    def __init__(self, table: Mapping[str, str] = USUAL, unit: str = "km/h",
                 learned: Callable[[Mapping[str, str]], object] = lambda table: None) -> None:
        self.table = {code: _known(action) for code, action in table.items()}
        self.typed, self.unit, self.mode = "", unit, "bowling"
        self._learned = learned
        self._edge_ns: dict[str, int] = {}
        self._learning: str | None = None
        self._sticks: dict[int, pygame.joystick.JoystickType] = {}      # one speaks only as long as it is kept
        pygame.joystick.init()

    def learn(self, action: str) -> None:
        """The next button that is pressed stands for this action from now on."""
        self._learning = _known(action)

    def unlearn(self) -> None:
        """No button is waited for any more."""
        self._learning = None

    @property
    def learning(self) -> str | None:
        return self._learning

    def read(self, events: Iterable[pygame.event.Event], now_ns: int, buttons: Sequence = (),
             size: tuple[int, int] = (1, 1)) -> list[Press]:
        """The presses among the window's events, in their order.

        An event that carries `t_ns` has its own time; the others are as old as the reading. buttons: what the scene on
        the screen offers, each with `box` and `action`.
        """
        out = []
        for event in events:
            at_ns = getattr(event, "t_ns", now_ns)
            if event.type == pygame.QUIT:
                out.append(Press("quit", at_ns))
            elif event.type == pygame.JOYDEVICEADDED:      # also once for each that was there from the beginning
                stick = pygame.joystick.Joystick(event.device_index)
                self._sticks[stick.get_instance_id()] = stick
            elif event.type == pygame.JOYDEVICEREMOVED:
                self._sticks.pop(event.instance_id, None)
            elif event.type == pygame.TEXTINPUT:
                if self.mode == "writing":
                    out.append(Press("write", at_ns, text=event.text))
            elif (point := _point(event, size)) is not None:
                if self._steady("touch", at_ns):
                    out.append(Press(_touched(point, buttons), at_ns))
            elif (code := _code(event)) is not None:
                steady = self._steady(code, at_ns)
                if steady and event.type in (pygame.KEYDOWN, pygame.JOYBUTTONDOWN):
                    out += self._pressed(code, at_ns)
        return out

    def _steady(self, code: str, at_ns: int) -> bool:
        """Whether the contact had been still; both closing and opening count as movement."""
        before_ns = self._edge_ns.get(code)
        self._edge_ns[code] = at_ns
        return before_ns is None or at_ns - before_ns >= DEBOUNCE_NS

    def _pressed(self, code: str, at_ns: int) -> list[Press]:
        if self._learning is not None:
            return self._learn(code, at_ns)
        if self.mode == "writing" and code.startswith("key:"):
            action = WRITING.get(code)
        elif self.mode == "asking" and (digit := _digit(code)) is not None:
            return [Press("digit", at_ns, int(digit))]
        elif self.mode == "bowling" and code not in self.table and (digit := _digit(code)) is not None:
            self.typed = (self.typed + digit)[-DIGITS:]
            return []
        else:
            action = ASKING.get(code) if self.mode == "asking" and code in ASKING else self.table.get(code)
        if self.typed and action in ("confirm", "cancel", "undo"):
            return self._speed(action, at_ns)
        return [Press(action, at_ns)] if action else []

    def _learn(self, code: str, at_ns: int) -> list[Press]:
        """Escape is the way out, whatever else is learned."""
        action, self._learning = self._learning, None
        if code == "key:escape":
            return [Press("cancel", at_ns)]
        self.table[code] = action
        self._learned(self.table)
        return []

    def _speed(self, action: str, at_ns: int) -> list[Press]:
        """Undo takes one digit back, cancel all; confirm gives the speed, or forgets one that cannot be."""
        typed, self.typed = self.typed, self.typed[:-1] if action == "undo" else ""
        km_h = round(int(typed) * KM_H[self.unit], 1)
        if action != "confirm" or not SPEED_KM_H[0] <= km_h <= SPEED_KM_H[1]:
            return []
        return [Press("speed", at_ns, km_h, f"{int(typed)} {self.unit}")]


def _known(action: str) -> str:
    if action not in ACTIONS:
        near = difflib.get_close_matches(action, ACTIONS, 1)
        raise Fault(f"a button for {action!r}", "no such action",
                    f"did you mean {near[0]!r}?" if near else f"give one of {', '.join(ACTIONS)}")
    return action


def _code(event: pygame.event.Event) -> str | None:
    if event.type in (pygame.KEYDOWN, pygame.KEYUP):
        return f"key:{pygame.key.name(event.key)}"
    if event.type in (pygame.JOYBUTTONDOWN, pygame.JOYBUTTONUP):
        return f"button:{event.button}"
    return None


def _digit(code: str) -> str | None:
    name = code.removeprefix("key:").strip("[]")      # "[4]": the number pad
    return name if code.startswith("key:") and len(name) == 1 and name.isdigit() else None


def _point(event: pygame.event.Event, size: tuple[int, int]) -> tuple[float, float] | None:
    """Where the screen was touched, pixels. A touch also comes as a mouse's press: that one is passed over."""
    if event.type == pygame.FINGERDOWN:
        return event.x * size[0], event.y * size[1]
    if event.type == pygame.MOUSEBUTTONDOWN and event.button == 1 and not getattr(event, "touch", False):
        return event.pos
    return None


def _touched(point: tuple[float, float], buttons: Sequence) -> str:
    """The button that was hit. Anywhere else, or where there is none: the menu, or the way out of it."""
    hit = next((b.action for b in buttons if b.box.collidepoint(point)), None)
    return hit or ("cancel" if buttons else "menu")
