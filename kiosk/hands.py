"""Hands: what mouse, finger and keys do while marks are placed, as wishes. It carries nothing out.

A hand that drags moves its mark by as much as it moves itself, wherever it took it, so that a finger need not cover it.
"""
from __future__ import annotations

import os
from typing import Callable, Iterable, Sequence

from kiosk.scenes.view import Point
from kiosk.setting_up import Wish

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
import pygame  # noqa: E402

STEP_PX, FAR_PX, FINE_PX = 1.0, 10.0, 0.2      # an arrow key; with shift; with alt or ctrl
ARROWS = {pygame.K_LEFT: (-1, 0), pygame.K_RIGHT: (1, 0), pygame.K_UP: (0, -1), pygame.K_DOWN: (0, 1)}
KEYS = {pygame.K_RETURN: "confirm", pygame.K_KP_ENTER: "confirm", pygame.K_ESCAPE: "cancel", pygame.K_q: "quit",
        pygame.K_BACKSPACE: "undo", pygame.K_u: "undo", pygame.K_TAB: "next", pygame.K_n: "next", pygame.K_PAGEDOWN: "next",
        pygame.K_p: "previous", pygame.K_PAGEUP: "previous", pygame.K_DELETE: "away", pygame.K_x: "away"}


class Hands:
    """point: a place on the screen -> a place in the picture, None outside it. scale: screen pixels a picture's pixel."""

    def __init__(self) -> None:
        self._down = False

    def read(self, events: Iterable[pygame.event.Event], buttons: Sequence, size: tuple[int, int],
             point: Callable[[Point], Point | None], scale: float) -> list[Wish]:
        out: list[Wish] = []
        for event in events:
            if event.type == pygame.QUIT:
                out.append(Wish("quit"))
            elif event.type == pygame.KEYDOWN:
                out += _key(event)
            elif (at := _came(event, size)) is not None:
                out += self._touched(at, buttons, point)
            elif (by := _went(event, size)) is not None and self._down:
                out.append(Wish("drag", (by[0] / scale, by[1] / scale)))
            elif _left(event) and self._down:
                self._down = False
                out.append(Wish("let_go"))
        return _joined(out)

    def _touched(self, at: Point, buttons: Sequence, point: Callable[[Point], Point | None]) -> list[Wish]:
        hit = next((b.action for b in buttons if b.box.collidepoint(at)), None)
        if hit is not None:
            return [Wish(hit)]
        spot = point(at)
        self._down = spot is not None
        return [Wish("take", spot)] if spot is not None else []


def _key(event: pygame.event.Event) -> list[Wish]:
    if event.key in ARROWS:
        mod = getattr(event, "mod", 0)
        far = FAR_PX if mod & pygame.KMOD_SHIFT else FINE_PX if mod & (pygame.KMOD_ALT | pygame.KMOD_CTRL) else STEP_PX
        x, y = ARROWS[event.key]
        return [Wish("nudge", (x * far, y * far))]
    if event.key == pygame.K_TAB and getattr(event, "mod", 0) & pygame.KMOD_SHIFT:
        return [Wish("previous")]
    return [Wish(KEYS[event.key])] if event.key in KEYS else []


def _joined(wishes: list[Wish]) -> list[Wish]:
    """Drags in a row as one: a mouse sends more of them than a fit is asked."""
    out: list[Wish] = []
    for wish in wishes:
        if wish.what == "drag" and out and out[-1].what == "drag":
            out[-1] = Wish("drag", (out[-1].at[0] + wish.at[0], out[-1].at[1] + wish.at[1]))
        else:
            out.append(wish)
    return out


def _came(event: pygame.event.Event, size: tuple[int, int]) -> Point | None:
    """Where a finger or the mouse came down; a touch also comes as a mouse's press, which is passed over."""
    if event.type == pygame.FINGERDOWN:
        return event.x * size[0], event.y * size[1]
    if event.type == pygame.MOUSEBUTTONDOWN and event.button == 1 and not getattr(event, "touch", False):
        return event.pos
    return None


def _went(event: pygame.event.Event, size: tuple[int, int]) -> Point | None:
    if event.type == pygame.FINGERMOTION:
        return event.dx * size[0], event.dy * size[1]
    if event.type == pygame.MOUSEMOTION and not getattr(event, "touch", False):
        return event.rel
    return None


def _left(event: pygame.event.Event) -> bool:
    mouse = event.type == pygame.MOUSEBUTTONUP and event.button == 1 and not getattr(event, "touch", False)
    return mouse or event.type == pygame.FINGERUP
