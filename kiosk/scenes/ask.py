"""Ask: one question a screen, the safe answer first. The coach's menu is one of these."""
from __future__ import annotations

from kiosk.scenes.scene import MARGIN, Scene


class Ask(Scene):
    name = "ask"
    holds_s = 60.0              # a question that nobody answers goes away, and nothing has changed

    def draw(self, now_ns: int) -> None:
        s = self.screen
        self.words(s.box(MARGIN, 0.04, 1 - 2 * MARGIN, 0.20), self.view.question, lines=2, across=0.0,
                   most_px=s.heights.second_px)
        in_a_row = 1 if len(self.view.choices) <= 3 else 2
        self.choices(s.box(MARGIN, 0.27, 1 - 2 * MARGIN, 0.68), in_a_row)
