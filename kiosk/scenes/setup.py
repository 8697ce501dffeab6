"""Setup: a question about the camera's picture, the picture with what lies over it, what was found, and the answers.

It draws a Sight and decides nothing. What is exact is shown in a loupe, away from the hand.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pygame

from kiosk.drawing import marks, tokens
from kiosk.scenes.scene import MARGIN, Scene
from kiosk.scenes.view import Choice, Point
from kiosk.screen import Placed

LEFT, TOP, WIDE = 0.015, 0.145, 0.665       # of the picture, in shares of the screen
COLUMN, COLUMN_WIDE = 0.695, 0.29
LOUPE, LARGER = 0.17, 5.0                   # its radius as a share of the screen's height, and how much larger it shows


@dataclass(frozen=True, slots=True)
class Row:
    """One line of what was found. state: "hit" (good), "miss" (to be looked at), "unsure" (not known), None (words alone)."""

    words: str
    state: str | None = None
    lines: int = 1


@dataclass(frozen=True, slots=True)
class Dot:
    """A mark over the picture, pixels of the frame. state: "placed", "chosen", "guess" or "suspect"."""

    at_px: Point
    state: str


@dataclass(frozen=True, slots=True)
class Sight:
    """frame: the picture's number; None: there is none. lines_px: drawn over it. loupe_px: what the loupe shows."""

    question: str = ""
    frame: int | None = None
    rows: tuple[Row, ...] = ()
    dots: tuple[Dot, ...] = ()
    lines_px: tuple[tuple[Point, ...], ...] = ()
    loupe_px: Point | None = None
    choices: tuple[Choice, ...] = ()
    cursor: int = -1


class Setup(Scene):
    """`placed`: where the picture lies on the screen, for whoever asks what a hand pointed at."""

    name = "setup"
    view: Sight
    placed: Placed | None = None

    def draw(self, now_ns: int) -> None:
        s, view = self.screen, self.view
        self.words(s.box(MARGIN * 0.6, 0.02, 1 - 1.2 * MARGIN, 0.105), view.question, lines=2, across=0.0,
                   most_px=self.px(0.065))
        box = s.box(LEFT, TOP, WIDE, WIDE)
        bgr = self.pictures.bgr(view.frame) if view.frame is not None else None
        if bgr is None:
            pygame.draw.rect(s.surface, tokens.PLATE, box)
            self.words(box.inflate(-box.width // 4, 0), self.texts.setup("no_picture"), tokens.DIM, most_px=self.px(0.06))
        else:
            self.placed = s.draw_picture(bgr, box)
            self._over(bgr)
        self._rows(s.box(COLUMN, TOP, COLUMN_WIDE, WIDE))
        self.choices(s.box(LEFT, 0.84, 1 - 2 * LEFT, 0.135), max(1, len(view.choices)))

    def point(self, at: Point) -> Point | None:
        """A place on the screen as a place in the picture, pixels from its top-left corner; None outside it."""
        if self.placed is None or not self.placed.box.collidepoint(at):
            return None
        return (at[0] - self.placed.box.x) / self.placed.scale, (at[1] - self.placed.box.y) / self.placed.scale

    def _rows(self, box: pygame.Rect) -> None:
        line, ring, y = self.px(0.066), self.px(0.017), box.y
        for row in self.view.rows:
            if y + line > box.bottom:           # what comes first counts most
                break
            left = 0 if row.state is None else round(ring * 3.2)
            at = pygame.Rect(box.x + left, y, box.width - left, line * row.lines)
            ink = self.words(at, row.words, tokens.CHALK if row.state else tokens.DIM, lines=row.lines,
                             most_px=self.px(0.04), across=0.0, down=0.0)
            if row.state is not None:
                marks.mark(self.screen.surface, (box.x + ring * 1.3, y + self.px(0.02)), ring, row.state)
            y = max(y + self.px(0.056), ink.bottom + self.px(0.018))

    def _over(self, bgr: np.ndarray) -> None:
        surface, placed, thin = self.screen.surface, self.placed, max(2, self.px(0.004))
        surface.set_clip(placed.box)
        for line in self.view.lines_px:
            points = [self._spot(p) for p in line]
            if len(points) > 1:
                pygame.draw.lines(surface, tokens.INK, False, points, thin * 3)
                pygame.draw.lines(surface, tokens.SKY, False, points, thin)
        for dot in self.view.dots:
            self._dot(dot, thin)
        surface.set_clip(None)
        if self.view.loupe_px is not None:
            self._loupe(bgr, self.view.loupe_px, thin)

    def _spot(self, at_px: Point) -> Point:
        return self.placed.box.x + at_px[0] * self.placed.scale, self.placed.box.y + at_px[1] * self.placed.scale

    def _dot(self, dot: Dot, thin: int) -> None:
        surface, (x, y), r = self.screen.surface, self._spot(dot.at_px), self.px(0.016)
        if dot.state == "suspect":
            d = r * 1.5
            corners = [(x, y - d), (x + d, y), (x, y + d), (x - d, y)]
            pygame.draw.polygon(surface, tokens.INK, corners, thin * 3)
            pygame.draw.polygon(surface, tokens.ORANGE, corners, thin)
            return
        colour = {"placed": tokens.CHALK, "chosen": tokens.SKY}.get(dot.state, tokens.DIM)
        r = r * 1.4 if dot.state == "chosen" else r * 0.6 if dot.state == "guess" else r
        pygame.draw.circle(surface, tokens.INK, (x, y), r + thin, thin * 3)
        pygame.draw.circle(surface, colour, (x, y), r, thin)

    def _loupe(self, bgr: np.ndarray, at_px: Point, thin: int) -> None:
        """What lies under the mark, larger, in the corner of the picture that is farther from it."""
        import cv2
        r, box = self.px(LOUPE), self.placed.box
        x, y = at_px
        shift = [LARGER * (0.5 - at) + r - 0.5 for at in (x, y)]        # pixel i reaches from i to i + 1
        part = cv2.warpAffine(bgr, np.float32([[LARGER, 0, shift[0]], [0, LARGER, shift[1]]]), (2 * r, 2 * r),
                              flags=cv2.INTER_NEAREST, borderValue=tokens.PLATE[::-1])
        image = pygame.image.frombuffer(np.ascontiguousarray(part), (2 * r, 2 * r), "BGR").convert_alpha()
        round_one = pygame.Surface((2 * r, 2 * r), pygame.SRCALPHA)
        pygame.draw.circle(round_one, (255, 255, 255, 255), (r, r), r)
        image.blit(round_one, (0, 0), special_flags=pygame.BLEND_RGBA_MIN)
        on_left = self._spot(at_px)[0] > box.centerx
        middle = (box.x + r + thin * 3 if on_left else box.right - r - thin * 3, box.y + r + thin * 3)
        surface = self.screen.surface
        surface.blit(image, (middle[0] - r, middle[1] - r))
        pygame.draw.circle(surface, tokens.INK, middle, r + thin, thin * 2)
        pygame.draw.circle(surface, tokens.CHALK, middle, r, thin)
        gap = round(LARGER * 1.5)
        for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            ends = [(middle[0] + dx * d, middle[1] + dy * d) for d in (gap, r * 0.6)]
            pygame.draw.line(surface, tokens.INK, *ends, thin * 2)
            pygame.draw.line(surface, tokens.SKY, *ends, max(1, thin // 2))
