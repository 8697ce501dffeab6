"""Verdict: one to three words for what was seen, the gate that shows why, and the over so far."""
from __future__ import annotations

from kiosk.drawing import marks, plates, tokens
from kiosk.scenes.scene import MARGIN, Scene


class Verdict(Scene):
    name = "verdict"
    holds_s = 8.0
    slim_banner = True

    def draw(self, now_ns: int) -> None:
        s, view = self.screen, self.view
        colour = tokens.BY_VERDICT.get(view.verdict, tokens.CHALK)
        top = 0.08 if view.note else 0.04
        inside = plates.plate(s.surface, s.box(MARGIN, top, 1 - 2 * MARGIN, 0.57 - top))
        self.words(inside, view.word.upper(), colour, lines=2, most_px=self.px(0.32))
        if view.note:
            self.words(s.box(MARGIN, 0.0, 1 - 2 * MARGIN, 0.075), view.note, tokens.DIM, across=0.0, most_px=self.px(0.045))
        if view.gate:
            marks.gate(s.surface, s.box(0.11, 0.60, 0.78, 0.215), view.gate, view.verdict, view.ends)
        self.over(s.box(MARGIN, 0.84, 0.5, 0.12))
        if view.value:
            self.words(s.box(0.60, 0.82, 0.40 - MARGIN, 0.155), view.value, across=1.0, most_px=s.heights.second_px)

    def next(self, now_ns: int) -> str | None:
        if self.view.replay:
            return "replay" if now_ns >= self.view.replay.from_ns else None
        return super().next(now_ns)
