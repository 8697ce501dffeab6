"""Frames: which of those that are kept a look asks for, and from which of them the bowler is gone. Numbers only, no pixels."""
from __future__ import annotations

import bisect
from dataclasses import dataclass, replace
from typing import Protocol, Sequence

from creaseside.orders import Box, Look
from creaseside.stamps import Stamp, to_ns

# The same view without the bowler there is the camera's so long before, or where there is nothing before, after: at 3 m/s, two metres
# away. Neighbouring looks share one: the first from a multiple of SHARED_S on.
GONE_S, SHARED_S = 0.7, 0.2
BACK_NS = to_ns(GONE_S + SHARED_S)  # so far before a look its view is at most


class Kept(Protocol):
    def stamps(self, first_ns: int, last_ns: int) -> Sequence[Stamp]:
        """Of the frames that are here, both ends included, in order."""


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame to be looked at, in that box; whoever has to be searched for is in `sought_px`; `without`: the number of one from which
    the bowler is gone; `second`: by the second model."""

    stamp: Stamp
    box_px: Box | None = None
    sought_px: Box | None = None
    without: int | None = None
    second: bool = False


def frames_of(look: Look, kept: Kept, asked: Sequence[Frame] = ()) -> list[Frame]:
    """The look's frames that are here, each span's in its own direction, `step_ns` from one another, also where spans meet, and from
    those that were asked for: speeds are read from neighbouring looks. Last those that the second model looks at as well."""
    before = [frame for frame in asked if not frame.second]
    chosen = _with_views(_chosen(look, kept, before), kept)
    first_ns, last_ns = look.second_ns
    twice = {frame.stamp for frame in asked if frame.second}
    return chosen + [replace(frame, without=None, second=True) for frame in (*before, *chosen)
                     if first_ns <= frame.stamp.t_ns <= last_ns and frame.stamp not in twice]


def _chosen(look: Look, kept: Kept, before: Sequence[Frame]) -> list[Frame]:
    taken, chosen = [frame.stamp.t_ns for frame in before], []
    for span in look.spans:
        stamps = kept.stamps(min(span.first_ns, span.last_ns), max(span.first_ns, span.last_ns))
        for stamp in stamps if span.first_ns <= span.last_ns else stamps[::-1]:
            if all(abs(stamp.t_ns - t_ns) >= span.step_ns for t_ns in taken):
                taken.append(stamp.t_ns)
                chosen.append(Frame(stamp, span.box_px, span.runner and span.runner.box_px(stamp.t_ns, stamp.t_ns)))
    return chosen


def _with_views(frames: list[Frame], kept: Kept) -> list[Frame]:
    if not frames:
        return []
    gone, shared = to_ns(GONE_S), to_ns(SHARED_S)
    first, last = min(frame.stamp.t_ns for frame in frames), max(frame.stamp.t_ns for frame in frames)
    before, after = kept.stamps(first - BACK_NS, last - gone), kept.stamps(first + gone, last + gone + 2 * shared)

    def without(t_ns: int) -> int | None:
        earlier = _first(before, (t_ns - gone) // shared * shared, t_ns - gone)
        return _first(after, -(-(t_ns + gone) // shared) * shared) if earlier is None else earlier
    return [replace(frame, without=without(frame.stamp.t_ns)) for frame in frames]


def _first(stamps: Sequence[Stamp], first_ns: int, last_ns: float = float("inf")) -> int | None:
    i = bisect.bisect_left(stamps, first_ns, key=lambda stamp: stamp.t_ns)
    return stamps[i].frame if i < len(stamps) and stamps[i].t_ns <= last_ns else None
