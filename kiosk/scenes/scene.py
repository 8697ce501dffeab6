"""Scene: the four verbs, and the few things that most scenes do alike."""
from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, Sequence

import numpy as np
import pygame

from creaseside.stamps import NS, Stamp
from kiosk.drawing import marks, plates, tokens
from kiosk.scenes.view import View
from kiosk.screen import Screen
from kiosk.texts import Texts

MARGIN = 0.0375                   # of the screen's width, on every side


@dataclass(frozen=True, slots=True)
class Pictures:
    """Where a scene gets pictures from.

    bgr: a frame's number -> (H, W, 3) uint8, or None if it is gone. between: the stamps of the frames between two
    moments, both included, oldest first.
    """

    bgr: Callable[[int], np.ndarray | None] = lambda frame: None
    between: Callable[[int, int], Sequence[Stamp]] = lambda first_ns, last_ns: ()


@dataclass(frozen=True, slots=True)
class Button:
    box: pygame.Rect
    action: str


class Scene:
    """A still scene: drawn once when it is entered and once for every new View. `holds_s`: how long it stays."""

    name = ""
    holds_s: float | None = None
    then = "up"
    slim_banner = False        # a banner leaves room for what this scene is about

    def __init__(self, screen: Screen, texts: Texts, pictures: Pictures) -> None:
        self.screen, self.texts, self.pictures = screen, texts, pictures
        self.view = View()
        self.entered_ns = 0
        self.stale = True
        self.buttons: tuple[Button, ...] = ()

    def enter(self, view: View, now_ns: int) -> None:
        self.view, self.entered_ns, self.stale = view, now_ns, True

    def see(self, view: View) -> None:
        """What is shown has changed while the scene is on."""
        self.stale = self.stale or view != self.view
        self.view = view

    def tick(self, now_ns: int) -> bool:
        """Draw what is due at that time. False where the screen stays as it is."""
        if not self.stale:
            return False
        self.stale = False
        self.screen.surface.fill(tokens.INK)
        self.draw(now_ns)
        return True

    def next(self, now_ns: int) -> str | None:
        """The name of the scene to follow, as soon as this one's time is over."""
        over = self.holds_s is not None and now_ns - self.entered_ns >= self.holds_s * NS
        return self.then if over else None

    def leave(self) -> None:
        self.buttons = ()

    def draw(self, now_ns: int) -> None:
        raise NotImplementedError

    def words(self, box: pygame.Rect, text: str, colour: tokens.Colour = tokens.CHALK, **how: object) -> pygame.Rect:
        return plates.words(self.screen.surface, box, text, colour, **how)

    def px(self, share: float) -> int:
        """A share of the screen's height, in pixels."""
        return round(share * self.screen.size[1])

    def notes(self, box: pygame.Rect, lines: Sequence[str], rows: int = 2) -> None:
        """Up to `rows` side notes, one under the other."""
        for i, text in enumerate(lines[:rows]):
            line = pygame.Rect(box.x, box.y + i * box.height // rows, box.width, box.height // rows)
            self.words(line, text, tokens.DIM, most_px=self.px(0.043), across=0.0)

    def over(self, box: pygame.Rect) -> pygame.Rect:
        return marks.tiles(self.screen.surface, box, self.view.last[-marks.TILES:])

    def choices(self, box: pygame.Rect, in_a_row: int) -> None:
        """Large buttons for the view's choices, the first of them the safe one; light is what a foot switch would take."""
        gap, n = self.px(0.03), len(self.view.choices)
        rows = max(1, -(-n // in_a_row))
        width, height = (box.width - gap * (in_a_row - 1)) // in_a_row, (box.height - gap * (rows - 1)) // rows
        buttons = []
        for i, choice in enumerate(self.view.choices):
            row, column = divmod(i, in_a_row)
            at = pygame.Rect(box.x + column * (width + gap), box.y + row * (height + gap), width, height)
            plates.button(self.screen.surface, at, choice.words, lit=i == max(0, self.view.cursor))
            buttons.append(Button(at, choice.action))
        self.buttons = tuple(buttons)
