"""Closed: the hall is closed. Black, and nothing to see."""
from __future__ import annotations

from kiosk.scenes.scene import Scene


class Closed(Scene):
    name = "closed"

    def tick(self, now_ns: int) -> bool:
        if not self.stale:
            return False
        self.stale = False
        self.screen.surface.fill((0, 0, 0))
        return True
