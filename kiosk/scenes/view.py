"""View: all that a scene may show, as one frozen value. Who makes it decides what is shown; a scene only draws it."""
from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence

from creaseside.stamps import Stamp
from kiosk.scenes.replay_plan import ReplayPlan

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Gate:
    """The coach's window and the ball in it, all in the measure's unit; a post that is None is not there.

    scale: the values at the left and at the right end of the line (left may be the greater: what is on the bowler's
    left is drawn on the left).
    """

    low: float | None
    high: float | None
    value: float | None
    sd: float | None
    scale: tuple[float, float]

    @classmethod
    def of(cls, low: float | None, high: float | None, value: float | None = None, sd: float | None = None,
           left_is_high: bool = False) -> Gate:
        """With the window as the middle third of the line; with one post, that post in the middle."""
        posts = [p for p in (low, high) if p is not None] or [value or 0.0]
        wide = posts[-1] - posts[0] or max(8 * (sd or 0.0), abs(posts[0]) * 0.2, 1e-6)
        ends = posts[0] - wide, posts[-1] + wide
        return cls(low, high, value, sd, ends[::-1] if left_is_high else ends)


@dataclass(frozen=True, slots=True)
class Replay:
    """A replay of one ball.

    line_px: what is drawn while it stands still, pixels of the frame: hip, knee and ankle, or two points on the ground
    for a lane; empty where nothing was seen. from_ns: when it may begin, on the screen's clock.
    """

    plan: ReplayPlan
    stamps: Sequence[Stamp]
    line_px: tuple[Point, ...] = ()
    from_ns: int = 0


@dataclass(frozen=True, slots=True)
class Choice:
    """One thing that can be pressed: the action that it stands for, and its words."""

    action: str
    words: str


@dataclass(frozen=True, slots=True)
class View:
    """Words are shown as they are given, already in the screen's language and the player's age of words.

    verdict: "hit", "miss", "unsure", "not seen", or None where nothing was judged. word, value: the verdict in one to
    three words, and its number ("" where none is shown). last: the over so far, oldest first, up to six of the verdicts
    or "counted". ball: of the session. block_ball of block_balls: of the block, 0 where it has no end. banner:
    something is wrong: what it is, then what goes on. load: what is near a limit, in a line. note: what a button did.
    typed: what is being typed. lines: more to read, beside a question or under a word. cursor: which choice a foot
    switch would take, -1 for none; in_a_row: choices beside each other, 0 for the usual. live: may a picture of whoever is at the net be shown.
    """

    player: str = ""
    arm: str | None = None
    ball: int = 0
    block: str = ""
    block_note: str = ""
    block_ball: int = 0
    block_balls: int = 0
    cue: str = ""
    verdict: str | None = None
    word: str = ""
    value: str = ""
    gate: Gate | None = None
    ends: tuple[str, str] = ("", "")
    last: tuple[str, ...] = ()
    next_player: str = ""
    banner: tuple[str, ...] = ()
    messages: tuple[str, ...] = ()
    replay: Replay | None = None
    question: str = ""
    choices: tuple[Choice, ...] = ()
    load: str = ""
    note: str = ""
    typed: str = ""
    lines: tuple[str, ...] = ()
    cursor: int = -1
    in_a_row: int = 0
    under_18: bool = True
    live: bool = False
