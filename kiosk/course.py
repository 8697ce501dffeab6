"""Course: how long each step took on a ball's way from its release to its verdict, for whoever wants to make it shorter.

It is told what was done when and reads no clock; what it knows of a ball goes into `health` once the verdict is there.
"""
from __future__ import annotations

from dataclasses import dataclass

from kiosk.health import Health

STEPS = ("noticing", "first look", "looks", "judging")    # until the looks are asked for, the first one is there, the last one, the verdict


@dataclass(slots=True)
class _Steps:
    asked_ns: int
    first_ns: int = 0
    last_ns: int = 0
    told: bool = False


class Course:
    def __init__(self, health: Health) -> None:
        self._health = health
        self._balls: dict[int, _Steps] = {}

    def asked(self, ball: int, now_ns: int) -> None:
        """Its looks were asked for; the first time counts."""
        self._balls.setdefault(ball, _Steps(now_ns))

    def seen(self, ball: int, now_ns: int) -> None:
        """A look of it is done."""
        if steps := self._balls.get(ball):
            steps.first_ns, steps.last_ns = steps.first_ns or now_ns, now_ns

    def told(self, ball: int, release_ns: int, now_ns: int) -> None:
        """Its verdict is known; what follows is not on its way to it."""
        steps = self._balls.get(ball)
        if steps is None or steps.told:
            return
        steps.told = True
        times = (release_ns, steps.asked_ns, steps.first_ns, steps.last_ns, now_ns)
        for step, began_ns, ended_ns in zip(STEPS, times, times[1:]):
            self._health.late(step, began_ns, ended_ns)

    def over(self, ball: int) -> None:
        """All looks of it are done with, or it was no ball."""
        self._balls.pop(ball, None)
