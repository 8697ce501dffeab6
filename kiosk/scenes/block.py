"""Block: what the next balls are for, said once, large."""
from __future__ import annotations

from kiosk.drawing import plates, tokens
from kiosk.scenes.scene import MARGIN, Scene


class Block(Scene):
    name = "block"
    holds_s = 6.0

    def draw(self, now_ns: int) -> None:
        s, view, say = self.screen, self.view, self.texts.say
        self.words(s.box(MARGIN, 0.05, 0.92, 0.11), say("next_block"), tokens.DIM, most_px=self.px(0.075), across=0.0)
        inside = plates.plate(s.surface, s.box(MARGIN, 0.19, 1 - 2 * MARGIN, 0.44))
        self.words(inside, view.block.upper(), lines=2, most_px=self.px(0.24))
        if view.block_balls:
            self.words(s.box(MARGIN, 0.655, 0.92, 0.14), say("balls", balls=view.block_balls), across=0.0,
                       most_px=s.heights.second_px)
        self.words(s.box(MARGIN, 0.81, 1 - 2 * MARGIN, 0.15), view.block_note, lines=2, across=0.0,
                   most_px=self.px(0.06))
