"""Ask: one question a screen, the safe answer first. The coach's menu is one of these."""
from __future__ import annotations

from kiosk.scenes.scene import MARGIN, Scene


LINE = 0.08                     # of the height, for a note of one line with all that letters have above and below them


class Ask(Scene):
    name = "ask"
    holds_s = 60.0              # a question that nobody answers goes away, and nothing has changed

    def draw(self, now_ns: int) -> None:
        s, view = self.screen, self.view
        top = 0.27
        self.words(s.box(MARGIN, 0.03, 1 - 2 * MARGIN, 0.10 if self._more else 0.20), view.question, lines=1 if self._more else 2,
                   across=0.0, most_px=self.px(0.075) if self._more else s.heights.second_px)
        if view.typed:
            self.words(s.box(MARGIN, 0.14, 1 - 2 * MARGIN, 0.11), view.typed, most_px=self.px(0.10), across=0.0)
        elif view.lines:
            rows = len(view.lines)
            self.notes(s.box(MARGIN, 0.145, 1 - 2 * MARGIN, LINE * rows), view.lines, rows)
            top = max(top, 0.17 + LINE * rows)
        in_a_row = view.in_a_row or (1 if len(view.choices) <= 3 else 2)
        self.choices(s.box(MARGIN, top, 1 - 2 * MARGIN, 0.95 - top), in_a_row)

    @property
    def _more(self) -> bool:
        """Something stands between the question and the answers."""
        return bool(self.view.lines or self.view.typed)
