"""Waiting: nobody is up. The net a few seconds late, few words, and nothing that stays long enough to burn in."""
from __future__ import annotations

import numpy as np
import pygame

from creaseside.stamps import NS
from kiosk.drawing import tokens
from kiosk.scenes.scene import MARGIN, Scene
from kiosk.scenes.view import View

LATE_S = 4.0                     # the picture comes this late: long enough to bowl and look up
FRAME_NS = NS // 15              # a new picture at most this often: the rest of the machine has work to do
MOVE_S, DIM_S, DARK_S = 180.0, 600.0, 1800.0
DIMMED = (110, 110, 110)         # of 255
VEIL_PX = 32                     # across the whole picture: a person is half a dozen spots high, a face less than one
PLACES = ((0.0, 0.0), (1.0, 1.0), (0.0, 1.0), (1.0, 0.0))    # of the room that is left, across and down


class Waiting(Scene):
    name = "waiting"

    def enter(self, view: View, now_ns: int) -> None:
        super().enter(view, now_ns)
        self.drawn_ns = -FRAME_NS
        self.shown: tuple[int, int, bool, bool] | None = None

    def tick(self, now_ns: int) -> bool:
        if not self.stale and now_ns - self.drawn_ns < FRAME_NS:
            return False
        since_s = (now_ns - self.entered_ns) / NS
        dark = since_s >= DARK_S
        frame = self._frame(now_ns) if self.view.live and not dark else -1
        shown = (frame, int(since_s // MOVE_S), since_s >= DIM_S, dark)
        if shown == self.shown and not self.stale:
            return False
        self.stale, self.shown, self.drawn_ns = False, shown, now_ns
        self.screen.surface.fill(tokens.INK)
        self._draw(frame, PLACES[shown[1] % len(PLACES)], dark)
        if shown[2]:
            self.screen.surface.fill(DIMMED, special_flags=pygame.BLEND_RGB_MULT)
        return True

    def _frame(self, now_ns: int) -> int:
        late_ns = now_ns - round(LATE_S * NS)
        stamps = self.pictures.between(late_ns - NS // 2, late_ns)
        return stamps[-1].frame if stamps else -1

    def _draw(self, frame: int, place: tuple[float, float], dark: bool) -> None:
        """The picture and the words under it as one block, put at one of four places."""
        s = self.screen
        bgr = self.pictures.bgr(frame) if frame >= 0 else None
        if bgr is not None and s.blur_waiting:
            bgr = veiled(bgr)
        wide, high = (0.80, 0.90) if bgr is not None else (0.86, 0.66)
        block = s.box(MARGIN + place[0] * (1 - 2 * MARGIN - wide), 0.04 + place[1] * (0.92 - high), wide, high)
        words = pygame.Rect(block.x, block.bottom - self.px(0.20), block.width, self.px(0.20))
        if bgr is not None:
            s.draw_picture(bgr, pygame.Rect(block.x, block.y, block.width, block.height - self.px(0.22)))
        else:
            words = block
        title = "waiting" if not dark else "waiting_dark"
        height = round(words.height * (0.6 if bgr is not None else 0.75))
        self.words(pygame.Rect(words.x, words.y, words.width, height), self.texts.say(title).upper(), 
                   lines=2, most_px=self.px(0.12 if bgr is not None else 0.18), down=0.4)
        note = " · ".join(self.view.messages[:2])
        if bgr is not None and not note:
            note = self.texts.say("late", seconds=round(LATE_S))
        self.words(pygame.Rect(words.x, words.y + height, words.width, words.height - height), note, tokens.DIM,
                   lines=2, most_px=self.px(0.05))


def veiled(bgr: np.ndarray) -> np.ndarray:
    """The same picture, so coarse that one sees that somebody is there and not who: nobody in it has checked in."""
    import cv2
    high, wide = bgr.shape[:2]
    coarse = cv2.resize(bgr, (VEIL_PX, max(1, round(VEIL_PX * high / wide))), interpolation=cv2.INTER_AREA)
    return cv2.resize(coarse, (wide, high), interpolation=cv2.INTER_LINEAR)
