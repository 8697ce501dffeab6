"""Orders: what the engine may ask of the shell. The shell carries them out and says how late it was."""
from __future__ import annotations

import bisect
from dataclasses import dataclass

from creaseside.ball import Ball

CUES = ("hit", "miss", "unsure")
Box = tuple[int, int, int, int]     # left, top, right, bottom, pixels


@dataclass(frozen=True, slots=True)
class Runner:
    """A bowler's way through the picture: the sides of a box round them, in the order of `Box`, at moments that rise."""

    t_ns: tuple[int, ...]
    sides_px: tuple[tuple[float, float, float, float], ...]

    def box_px(self, first_ns: int, last_ns: int) -> Box:
        """What holds them at the one moment and at the other, and in between."""
        left, top, right, bottom = zip(self._sides(first_ns), self._sides(last_ns))
        return int(min(left)), int(min(top)), int(max(right)), int(max(bottom))

    def _sides(self, t_ns: int) -> list[float]:
        i = min(max(bisect.bisect_left(self.t_ns, t_ns), 1), len(self.t_ns) - 1)
        share = min(max((t_ns - self.t_ns[i - 1]) / (self.t_ns[i] - self.t_ns[i - 1]), 0.0), 1.0)
        return [a + share * (b - a) for a, b in zip(self.sides_px[i - 1], self.sides_px[i])]


@dataclass(frozen=True, slots=True)
class Span:
    """Moments to pose: from `first_ns` to `last_ns` in that order (which may be backwards in time, so that the model follows
    the bowler away from the landing), no two frames nearer than `step_ns`, within `box_px`. Whoever has to be searched for is where
    `runner` has them: somebody else may be in the box."""

    first_ns: int
    last_ns: int
    step_ns: int
    box_px: Box | None
    runner: Runner | None = None


@dataclass(frozen=True, slots=True)
class Look:
    """Pose these moments of ball `ball` again with the measuring model, the first span first; then say `looked`. There may
    be others of the same ball; nothing is posed for it within a step of what was. What is or was posed between the two moments of
    `second_ns` is posed by the second model too. `urgent`: a verdict waits for these few, before all else that is to be posed."""

    ball: int
    spans: tuple[Span, ...]
    urgent: bool = False
    second_ns: tuple[int, int] = (0, -1)


@dataclass(frozen=True, slots=True)
class Cue:
    """Play the sound for `kind` at `at_ns` (or at once, where that is past)."""

    ball: int
    kind: str
    at_ns: int


@dataclass(frozen=True, slots=True)
class Show:
    """Show the verdict at `at_ns`, then the replay of `first_ns`..`last_ns`, slow round the landing, with a stop at `stop_ns`."""

    ball: int
    at_ns: int
    first_ns: int
    last_ns: int
    slow_from_ns: int
    slow_to_ns: int
    stop_ns: int
    line_px: tuple[tuple[float, float], ...]  # at the stop, pixels of the frame: hip, knee, ankle, or two points on the ground; empty: not seen
    what: Ball


@dataclass(frozen=True, slots=True)
class Log:
    """Write this ball, whole or not at all, with the clip of `first_ns`..`last_ns`. `more`: its verdict is known and the
    rest of its numbers is not; one more of these with the same `ball` completes it."""

    ball: int
    first_ns: int
    last_ns: int
    what: Ball
    more: bool = False


Order = Look | Cue | Show | Log
