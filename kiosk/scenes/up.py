"""Up: who is next to bowl, which ball it is, and the one cue. Nothing on it moves while somebody runs in."""
from __future__ import annotations

import pygame

from kiosk.drawing import plates, tokens
from kiosk.scenes.scene import MARGIN, Scene


class Up(Scene):
    name = "up"
    holds_s = 300.0            # then the screen goes over to the one that does not burn in
    then = "waiting"

    def draw(self, now_ns: int) -> None:
        s, view, say = self.screen, self.view, self.texts.say
        if view.cue:
            self.words(s.box(MARGIN, 0.05, 0.55, 0.15), view.player.upper(), lines=3, across=0.0,
                       most_px=s.heights.second_px)
        if view.block_ball:
            count = say("ball_of", ball=view.block_ball, balls=view.block_balls) if view.block_balls \
                else say("ball", ball=view.block_ball)
            self.words(s.box(0.60, 0.04, 0.40 - MARGIN, 0.10), count, most_px=self.px(0.075), across=1.0)
        self.words(s.box(0.50, 0.142, 0.50 - MARGIN, 0.082), self._side_line(), tokens.DIM, most_px=self.px(0.045),
                   across=1.0, down=0.3)
        high = 0.42 if any((view.messages, view.banner, view.note, view.typed, view.load)) else 0.55
        inside = plates.plate(s.surface, s.box(MARGIN, 0.235, 1 - 2 * MARGIN, high))
        self.words(inside, (view.cue or view.player or say("waiting")).upper(), lines=3)
        self._below(s.box(MARGIN, 0.665, 1 - 2 * MARGIN, 0.15))
        self.over(s.box(MARGIN, 0.83, 0.5, 0.115))
        if view.next_player:
            self.words(s.box(0.54, 0.83, 0.46 - MARGIN, 0.115), say("next", player=view.next_player), tokens.DIM,
                       lines=2, most_px=self.px(0.06), across=1.0)

    def _below(self, box: pygame.Rect) -> None:
        """What is being typed, else what a button did, else what is near a limit and what makes things worse."""
        view = self.view
        if view.banner:             # it lies over this
            return
        if view.typed or view.note:
            self.words(box, view.typed or view.note, lines=2, across=0.0,
                       most_px=self.px(0.10 if view.typed else 0.065))
            return
        lines = [text for text in (view.load, *view.messages) if text][:2]
        self.notes(box, lines)

    def _side_line(self) -> str:
        view = self.view
        arm = self.texts.say(f"arm_{view.arm}") if view.arm else ""
        return " · ".join(t for t in (view.block, arm) if t)
