"""Limit: enough bowled for today. It says so kindly, and what goes on; what a coach may press is below."""
from __future__ import annotations

from kiosk.drawing import plates, tokens
from kiosk.scenes.scene import MARGIN, Scene


class Limit(Scene):
    name = "limit"
    title, note = "limit", "limit_note"

    def draw(self, now_ns: int) -> None:
        s, view, say = self.screen, self.view, self.texts.say
        inside = plates.plate(s.surface, s.box(MARGIN, 0.05, 1 - 2 * MARGIN, 0.42))
        self.words(inside, (view.word or say(self.title)).upper(), lines=2, most_px=self.px(0.20))
        self.words(s.box(MARGIN, 0.50, 1 - 2 * MARGIN, 0.26 if view.choices else 0.30), self._note(), lines=2,
                   most_px=s.heights.second_px)
        if view.choices:
            self.choices(s.box(MARGIN, 0.79, 1 - 2 * MARGIN, 0.16), len(view.choices))
        else:
            self.words(s.box(MARGIN, 0.82, 1 - 2 * MARGIN, 0.16), " · ".join(view.lines or view.messages[:2]), tokens.DIM, lines=2,
                       most_px=self.px(0.045))

    def _note(self) -> str:
        return self.view.question or self.texts.say(self.note, balls=self.view.ball)
