"""Blocks: the coach's pages about the plan: which blocks, how long each, and on which balls feedback is given."""
from __future__ import annotations

from dataclasses import replace
from typing import Callable, Sequence

from creaseside import plan as plans
from creaseside.plan import KINDS, SCHEDULES, Block, FeedbackSchedule, Plan
from kiosk.desk.page import BACK, Answer, Page
from kiosk.desk.pages import Office

LENGTHS = (0, 2, 4, 5, 6, 8, 10, 12, 15, 18, 24, 30)
PLANNED = KINDS[:-1]          # what has a length


class Blocks:
    def __init__(self, office: Office) -> None:
        self._o = office

    def plan(self) -> Page:
        """The plan from the next ball on."""
        o, seat = self._o, self._o.turns.up
        left = self._left()
        answers = [o.back(), Answer(o.say("plan_usual"), lambda: self._set(plans.usual(seat.age))),
                   Answer(o.say("plan_free"), lambda: self._set(None))]
        answers += [Answer(f"{o.front.texts.block(kind)[0]}: {left[kind]}", lambda kind=kind: self._length(kind))
                    for kind in PLANNED]
        schedule = seat.stint.schedule.kind
        answers.append(Answer(o.say("feedback_is", how=o.say(f"feedback_{schedule}")), lambda: self.schedule))
        return Page(o.say("menu_plan"), tuple(answers), (o.say("plan_from"),), 2)

    def _left(self) -> dict[str, int]:
        """Balls that are still to come, by kind; a block that has begun counts with its rest."""
        stint = self._o.turns.up.stint
        left = dict.fromkeys(PLANNED, 0)
        here = stint.spot
        for ordinal, block in enumerate(stint.plan.blocks, 1):
            if ordinal >= here.ordinal and block.kind in left:
                left[block.kind] += block.balls - (here.ball - 1 if ordinal == here.ordinal else 0)
        return left

    def _length(self, kind: str) -> Callable[[], Page]:
        o = self._o

        def choose(balls: int) -> str:
            self._set(_plan(self._left() | {kind: balls}))
            return BACK
        answers = [Answer(str(n), lambda n=n: choose(n)) for n in LENGTHS]
        name = o.front.texts.block(kind)[0]
        return lambda: Page(o.say("plan_length", block=name), (o.back(), *answers), (), 5)

    def schedule(self) -> Page:
        o = self._o
        answers = [Answer(o.say(f"feedback_{kind}"), lambda kind=kind: self._schedule(kind)) for kind in SCHEDULES]
        return Page(o.say("feedback"), (o.back(), *answers), (), 2)

    def _schedule(self, kind: str) -> str:
        seat = self._o.turns.up
        before = seat.stint.schedule
        seat.stint = replace(seat.stint, schedule=FeedbackSchedule.for_age(seat.age, kind))

        def back() -> None:
            seat.stint = replace(seat.stint, schedule=before)
        self._o.turns.did("plan", back)
        return BACK

    def _set(self, plan: Plan | None) -> None:
        seat = self._o.turns.up
        before = seat.stint.plan
        seat.set_plan(plan)
        self._o.turns.did("plan", lambda: seat.restore(before))
        self._o.turns.ask()


def _plan(lengths: dict[str, int]) -> Plan | None:
    blocks: Sequence[Block] = [Block(kind, balls) for kind, balls in lengths.items() if balls]
    return Plan(tuple(blocks)) if blocks else None
