"""Plan: a session as blocks of balls, and when a player is given feedback in them.

Blocks: `warm_up` (counted, nothing given), `baseline` (nothing given), `focus` (feedback by the schedule),
`no_feedback` (nothing given: what stays is measured here) and `free` (no end, the schedule goes on). This room counts
no workload and shows nothing; limits go before any plan.
"""
from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import Sequence

from creaseside.settings import Faults

KINDS = ("warm_up", "baseline", "focus", "no_feedback", "free")
GIVEN_IN = ("focus", "free")
SCHEDULES = ("every", "outside", "fading", "on_request")
LONGEST = 60       # balls in a block: ten overs; more is a slip of the finger
OVER = 6


@dataclass(frozen=True, slots=True)
class Block:
    """`balls` of one kind; 0: no end (only `free`, as the last block)."""

    kind: str
    balls: int


@dataclass(frozen=True, slots=True)
class Spot:
    """Where one ball is: `ordinal` of its block and `ball` in it, both from 1; `balls`: of the block, 0 without end.

    `starts`: this is the block's first ball, so announce it; `then`: the block that this ball is the last before.
    """

    ordinal: int
    kind: str
    ball: int
    balls: int
    then: Block | None

    @property
    def starts(self) -> bool:
        return self.ball == 1


@dataclass(frozen=True, slots=True)
class Plan:
    blocks: tuple[Block, ...]

    def __post_init__(self) -> None:
        faults = _faults(self.blocks)
        if faults:
            raise Faults(faults)

    @property
    def balls(self) -> int:
        """Balls that are planned, warm-up and all; without what has no end."""
        return sum(b.balls for b in self.blocks)

    def at(self, number: int) -> Spot:
        """The spot of the session's ball `number`, from 1. After the last block comes `free`, without end."""
        if number < 1:
            raise ValueError(f"asked a ball from 1 on, found {number}")
        free = Block("free", 0)
        for ordinal, block in enumerate((*self.blocks, free), 1):
            if number <= block.balls or block.balls == 0:
                following = (*self.blocks, free)[ordinal] if number == block.balls else None
                return Spot(ordinal, block.kind, number, block.balls, following)
            number -= block.balls
        raise AssertionError("free has no end")

    def skip(self, number: int) -> Plan:
        """The plan when the coach asks for the next block before ball `number`: its block ends with the ball before."""
        here = self.at(number)
        if here.balls == 0:      # nothing comes after what has no end
            return self
        cut = (Block(here.kind, here.ball - 1),) if here.ball > 1 else ()
        rest = self.blocks[here.ordinal:] or (Block("free", 0),)
        return Plan(self.blocks[:here.ordinal - 1] + cut + rest)

    def __str__(self) -> str:
        """As it is typed and logged: `warm_up 6, baseline 6, focus 12, no_feedback 6`."""
        return ", ".join(f"{b.kind} {b.balls}" if b.balls else b.kind for b in self.blocks)


def read(text: str) -> Plan:
    """The plan that `str` wrote, or that somebody typed; Faults names all that is wrong at once."""
    faults, blocks = [], []
    for part in filter(None, (p.strip() for p in text.split(","))):
        kind, _, balls = part.partition(" ")
        if balls.strip() and not balls.strip().isdecimal():
            faults.append(f"{part}: asked a kind and a number of balls, as in focus 12")
        else:
            blocks.append(Block(kind, int(balls or 0)))
    if blocks or not faults:
        faults += _faults(blocks)
    if faults:
        raise Faults(faults)
    return Plan(tuple(blocks))


def usual(age: int | None) -> Plan:
    """The plan to start from: 30 balls from 16 on, 24 from 13 on, 18 for the younger (common practice, no source).

    Six to warm up, six for the baseline, 12 to 18 on the focus, six alone is the usual order (common practice, no
    source); the younger have fewer of each. Age in whole years; None, not known for sure, gets the shortest.
    """
    lengths = (4, 5, 5, 4) if age is None or age < 13 else (6, 6, 6, 6) if age < 16 else (6, 6, 12, 6)
    return Plan(tuple(map(Block, KINDS, lengths)))


@dataclass(frozen=True, slots=True)
class FeedbackSchedule:
    """`every` ball; only `outside` the gate; `fading`; or `on_request` alone. `slow`: fade as for children.

    Constant feedback lifts practice and can hurt what stays (Salmoni, Schmidt & Walter 1984; Winstein & Schmidt 1990);
    children of 8 to 14 did worse with less of it (Sullivan et al. 2008), and the evidence is mixed (McKay et al. 2022).
    """

    kind: str = "fading"
    slow: bool = True

    def __post_init__(self) -> None:
        if self.kind not in SCHEDULES:
            raise ValueError(f"asked a schedule, found {self.kind!r}; one of {', '.join(SCHEDULES)}")

    @classmethod
    def for_age(cls, age: int | None, kind: str = "fading") -> FeedbackSchedule:
        """Under 14, or where the age is not known, feedback fades slowly (Sullivan et al. 2008)."""
        return cls(kind, age is None or age < 14)


@dataclass(frozen=True, slots=True)
class Given:
    """`word`: why, for the log; `none` where the ball passes in silence. `over`: the last over as one."""

    word: str

    def __bool__(self) -> bool:
        return self.word != "none"

    @property
    def over(self) -> bool:
        return self.word == "over"


NOTHING = Given("none")


def feedback(schedule: FeedbackSchedule, spot: Spot, verdict: str | None = None, before: Sequence[str | None] = (),
             asked: bool = False) -> Given:
    """Whether the player is given feedback on this ball, and why.

    verdict: of this ball, None where nothing was judged. before: the verdicts of the block's earlier balls, oldest
    first. asked: the player asks for it, which is always granted where the block has feedback at all (self-chosen
    feedback is no worse, and video on request helped: Aiken et al. 2012). The word: `none`, `every`, `outside`, `back
    in`, `fading`, `over` or `on request`.
    """
    if spot.kind not in GIVEN_IN:
        return NOTHING
    rule = {"every": _every, "outside": _outside, "fading": _fading, "on_request": _on_request}[schedule.kind]
    given = rule(schedule, spot.ball, verdict, before)
    return Given("on request") if asked and not given else given


def _every(schedule: FeedbackSchedule, ball: int, verdict: str | None, before: Sequence[str | None]) -> Given:
    return Given("every")


def _outside(schedule: FeedbackSchedule, ball: int, verdict: str | None, before: Sequence[str | None]) -> Given:
    """Feedback only outside a band, and on the first ball that is back in (Sherwood 1988; Cruz et al. 2018).

    A ball that nobody can be sure of passes in silence and breaks no row.
    """
    if verdict == "miss":
        return Given("outside")
    sure = [v for v in before if v in ("hit", "miss")]
    return Given("back in") if verdict == "hit" and sure[-1:] == ["miss"] else NOTHING


def _fading(schedule: FeedbackSchedule, ball: int, verdict: str | None, before: Sequence[str | None]) -> Given:
    """Adults: an over of every ball, an over of every second, then one for each over as a whole (Schmidt et al. 1989: a
    summary, poorer in practice and better kept). Children: two overs of every ball, then two of three, and never less.

    The lengths are ours, made from those studies.
    """
    if schedule.slow:
        return Given("fading") if ball <= 2 * OVER or ball % 3 else NOTHING
    if ball <= OVER or (ball <= 2 * OVER and ball % 2):
        return Given("fading")
    return Given("over") if ball > 2 * OVER and ball % OVER == 0 else NOTHING


def _on_request(schedule: FeedbackSchedule, ball: int, verdict: str | None, before: Sequence[str | None]) -> Given:
    return NOTHING


def _faults(blocks: Sequence[Block]) -> list[str]:
    faults = [] if blocks else ["asked a block or more, as in warm_up 6, focus 12; found none"]
    for i, block in enumerate(blocks, 1):
        if block.kind not in KINDS:
            near = difflib.get_close_matches(block.kind, KINDS, 1)
            hint = f", did you mean {near[0]}?" if near else f"; one of {', '.join(KINDS)}"
            faults.append(f"{block.kind}: no such block{hint}")
        if not 0 <= block.balls <= LONGEST:
            faults.append(f"{block.kind}: asked {LONGEST} balls at most, found {block.balls}")
        elif block.balls == 0 and not (i == len(blocks) and block.kind == "free"):
            faults.append(f"{block.kind}: only a free block at the end may have no end; say how many balls")
    return faults
