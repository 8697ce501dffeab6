"""Stint: one player's way through a session, as a plain value: the plan, the balls so far, what is given for the next.

    stint.given(verdict)   whether, and why, the player is given feedback on the ball that is just bowled
    stint.bowled(verdict)  the stint with that ball in it
    stint.skip(), stint.without(ball)   the next block now; a ball taken back

It counts no workload: whoever finds a limit reached, or is told of pain, makes the stint `quiet`. The balls go on being
counted and judged; nothing is given for them.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

from creaseside.plan import GIVEN_IN, LONGEST, NOTHING, Block, FeedbackSchedule, Given, Plan, Spot, feedback

FREE = Plan((Block("free", 0),))


@dataclass(frozen=True, slots=True)
class Stint:
    """`verdicts`: of every ball of the session, oldest first, None where none was judged. `quiet`: nothing is given."""

    plan: Plan = FREE
    schedule: FeedbackSchedule = FeedbackSchedule("every")
    verdicts: tuple[str | None, ...] = ()
    quiet: bool = False

    @property
    def balls(self) -> int:
        return len(self.verdicts)

    @property
    def spot(self) -> Spot:
        """Where the next ball is."""
        return self.plan.at(self.balls + 1)

    @property
    def block(self) -> tuple[str | None, ...]:
        """The verdicts of the block's balls so far, oldest first."""
        here = self.spot.ball - 1
        return self.verdicts[-here:] if here else ()

    @property
    def planned(self) -> bool:
        """Whether there is a plan at all, and not just free bowling."""
        return self.plan != FREE

    def given(self, verdict: str | None) -> Given:
        """For the ball that is just bowled and not yet in the stint."""
        return NOTHING if self.quiet else feedback(self.schedule, self.spot, verdict, self.block)

    def may_ask(self) -> bool:
        """Whether feedback on the last ball is granted to a player who asks for it."""
        return not self.quiet and bool(self.balls) and self.plan.at(self.balls).kind in GIVEN_IN

    def bowled(self, verdict: str | None) -> Stint:
        return replace(self, verdicts=(*self.verdicts, verdict))

    def without(self, ball: int) -> Stint:
        """Ball `ball`, from 1, was none."""
        if not 1 <= ball <= self.balls:
            raise ValueError(f"asked ball 1 to {self.balls}, found {ball}")
        return replace(self, verdicts=self.verdicts[:ball - 1] + self.verdicts[ball:])

    def skip(self) -> Stint:
        return replace(self, plan=self.plan.skip(self.balls + 1))

    def on(self, plan: Plan) -> Stint:
        """Another plan from the next ball on: what was bowled stays the beginning of it, block by block."""
        done, number = [], 1
        while number <= self.balls:
            here = self.plan.at(number)
            left = here.balls - here.ball + 1 if here.balls else LONGEST
            last = min(self.balls, number + min(left, LONGEST) - 1)
            done.append(Block(here.kind, last - number + 1))
            number = last + 1
        return replace(self, plan=Plan((*done, *plan.blocks)))
