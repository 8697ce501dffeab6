"""Replay: the ball once more, the whole body, slow through the landing and standing still at it; the word stays."""
from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Iterator, Sequence

import pygame

from creaseside.stamps import Stamp
from kiosk.drawing import marks, plates, tokens
from kiosk.scenes import banner
from kiosk.scenes.replay_plan import Moment, newest
from kiosk.scenes.scene import MARGIN, Scene
from kiosk.scenes.view import View
from kiosk.screen import Placed

PACES = ("real_speed", "slow", "standing")
BAND, COLUMN = 0.25, 0.24          # the word's band, of the height; the number's column, of the width


@dataclass(frozen=True, slots=True)
class _Word:
    """A text and its place: left, top, width, height in pixels."""

    box: tuple[int, int, int, int]
    text: str
    colour: tokens.Colour = tokens.CHALK
    lines: int = 1
    most_px: int | None = None
    across: float = 0.5


class Replay(Scene):
    name = "replay"
    slim_banner = True
    _prepared: View | None = None
    _to_set: Sequence[_Word] = ()

    def enter(self, view: View, now_ns: int) -> None:
        super().enter(view, now_ns)
        self.shown: tuple[int, bool, bool] | None = None
        self.bgr = None

    def tick(self, now_ns: int) -> bool:
        """A new frame, or the stop: then the picture is drawn; the words round it only where they change."""
        if not self.view.replay:
            return super().tick(now_ns)
        moment = self.view.replay.plan.at(now_ns - self.entered_ns)
        stamp = newest(self.view.replay.stamps, moment.picture_ns)
        shown = (stamp.frame if stamp else -1, moment.standing, moment.slow)
        if shown == self.shown and not self.stale:
            return False
        if self.stale or self.shown is None or shown[1:] != self.shown[1:]:
            self.screen.surface.fill(tokens.INK)
            self._words(moment)
        self.stale, self.shown = False, shown
        self._picture(stamp, moment)
        return True

    def next(self, now_ns: int) -> str | None:
        replay = self.view.replay
        return "up" if not replay or replay.plan.at(now_ns - self.entered_ns).over else None

    def leave(self) -> None:
        super().leave()
        self.bgr = None             # a picture is not kept longer than it is shown

    def draw(self, now_ns: int) -> None:
        self.words(self.screen.rect, self.texts.say("no_picture"), tokens.DIM, most_px=self.px(0.08))

    def prepare(self, view: View) -> None:
        """Set one more of its words, before it is on: to find how large a text can be takes some milliseconds, and all of them in
        one turn would hold the first pictures back."""
        if view is not self._prepared:
            self._prepared = view
            self._to_set = list(dict.fromkeys(word for pace in PACES for word in self._said(view, pace)))
        if self._to_set:
            word = self._to_set.pop()
            plates.fitted(self.screen.surface, word.box[2:], word.text, word.colour, word.lines, word.most_px)

    def _words(self, moment: Moment) -> None:
        s, view = self.screen, self.view
        if view.verdict:
            left, column = self._column
            marks.mark(s.surface, s.box(left, BAND + 0.01, column, 0.12).center, self.px(0.05), view.verdict)
        for word in self._said(view, "standing" if moment.standing else "slow" if moment.slow else "real_speed"):
            self.words(pygame.Rect(word.box), word.text, word.colour, lines=word.lines, most_px=word.most_px, across=word.across)

    @property
    def _column(self) -> tuple[float, float]:
        """Left edge and width of the number's column."""
        left = 1 - COLUMN + 0.012
        return left, 1 - left - MARGIN * 0.6

    def _said(self, view: View, pace: str) -> Iterator[_Word]:
        s, (left, column) = self.screen, self._column
        colour = tokens.BY_VERDICT.get(view.verdict, tokens.CHALK)
        word = view.word or view.player
        yield _Word(tuple(s.box(MARGIN * 0.7, 0.015, 1 - 1.4 * MARGIN, BAND - 0.03)), word.upper(), colour, across=0.0)
        yield _Word(tuple(s.box(left, BAND + 0.14, column, 0.29)), view.value, lines=2, most_px=s.heights.second_px)
        if view.banner:             # it lies over what comes below
            return
        yield _Word(tuple(s.box(left, 0.69, column, 0.16)), self.texts.say(pace), lines=2, most_px=self.px(0.05))
        if view.ball:
            yield _Word(tuple(s.box(left, 0.87, column, 0.10)), self.texts.say("ball", ball=view.ball), tokens.DIM,
                        most_px=self.px(0.05))

    def _picture(self, stamp: Stamp | None, moment: Moment) -> None:
        box = self.screen.box(0, BAND, 1 - COLUMN, 1 - BAND - (banner.SLIM if self.view.banner else 0))
        bgr = self.pictures.bgr(stamp.frame) if stamp else None
        self.bgr = bgr if bgr is not None else self.bgr       # a frame that is gone leaves the one before it
        if self.bgr is None:
            plates.plate(self.screen.surface, box)
            self.words(box.inflate(-box.width // 8, 0), self.texts.say("no_picture"), tokens.DIM, most_px=self.px(0.08))
            return
        placed = self.screen.draw_picture(self.bgr, box)
        if moment.standing:
            self._line(placed)

    def _line(self, placed: Placed) -> None:
        """The leg (hip, knee, ankle) with the angle at the knee, or a lane's two ends."""
        points = [placed.at(p) for p in self.view.replay.line_px]
        if len(points) < 2 or not all(math.isfinite(c) for p in points for c in p):
            return
        surface, wide = self.screen.surface, max(4, self.px(0.012))
        surface.set_clip(placed.box)
        for a, b in zip(points, points[1:]):
            _stroke(surface, a, b, wide)
        if len(points) == 3:
            _arc(surface, points, max(2, self.px(0.005)))
        colour = tokens.BY_VERDICT.get(self.view.verdict, tokens.CHALK)
        for p in points:
            pygame.draw.circle(surface, tokens.INK, p, self.px(0.019))
            pygame.draw.circle(surface, colour, p, self.px(0.015))
        surface.set_clip(None)


def _stroke(surface: pygame.Surface, a: tuple[float, float], b: tuple[float, float], wide_px: int) -> None:
    """A line that is as wide whichever way it runs, dark at its edges so that it shows on white trousers too."""
    length = math.dist(a, b) or 1.0
    across = (b[1] - a[1]) / length, (a[0] - b[0]) / length
    for colour, half in ((tokens.INK, wide_px * 0.8), (tokens.CHALK, wide_px * 0.5)):
        corners = [(p[0] + side * half * across[0], p[1] + side * half * across[1]) for p, side in
                   ((a, 1), (b, 1), (b, -1), (a, -1))]
        pygame.draw.polygon(surface, colour, corners)


def _arc(surface: pygame.Surface, points: list[tuple[float, float]], wide_px: int) -> None:
    """The angle at the middle point, on its smaller side."""
    hip, knee, ankle = points
    radius_px = 0.4 * min(math.dist(hip, knee), math.dist(knee, ankle))
    begin = math.atan2(hip[1] - knee[1], hip[0] - knee[0])
    turn = math.remainder(math.atan2(ankle[1] - knee[1], ankle[0] - knee[0]) - begin, math.tau)
    angles = [begin + turn * k / 24 for k in range(25)]
    path = [(knee[0] + radius_px * math.cos(a), knee[1] + radius_px * math.sin(a)) for a in angles]
    pygame.draw.lines(surface, tokens.INK, False, path, wide_px * 2)
    pygame.draw.lines(surface, tokens.CHALK, False, path, wide_px)
