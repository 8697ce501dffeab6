"""Looks: which moments of a ball are worth the measuring model, in which order, and where in the picture the bowler then is.

The landing comes first, since the model follows a body from look to look and what it says depends on where it began. Where
one measure decides the verdict and lies round the landing, the few looks that decide it come alone, before the rest.
This room looks at nothing and judges nothing.
"""
from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from creaseside import track
from creaseside.finder import Candidate
from creaseside.orders import Box, Runner, Span
from creaseside.stamps import to_ns
from creaseside.track import Track

RUN_UP_LOOK_S = 1.06     # how far before front foot contact the run-up is looked at: back foot contact and two steps before it
STRIDE_LOOK_S = 0.30     # before the landing: the delivery stride
LANDING_LOOK_S = 0.09    # after the release
LEAST_LOOK_S = 0.20      # after the landing: the release, also where the light model mixed up the arms and timed it badly
RUN_STEP_S = 1 / 45      # the run-up is slow beside the landing: a look in 25 ms finds its steps as well as one in 16 (measured)
LANDING_STEP_S = 1 / 70  # every other frame at 120 fps: 120 looks a second were no better (see DEVELOPERS.md)
ASIDE, UP, DOWN = 0.62, 0.94, 0.78     # from the hips to the sides of a close look's box, in the body's height: a fifth of it is room
LONG_S, TALLER = 0.5, 1.7              # a way that was seen for less tells no change in height; nobody's is greater
UNSEEN_S = 2.0           # before the first and after the last live look; farther away nothing is looked at
PIECE_S = 0.32           # a box holds the bowler this long, however fast they run

# A knee at contact is read from the 50 ms after it, and a foot has landed when it was seen to stand for nearly as long. Of 59 drawn
# deliveries these 8 looks decide all while the landing is within 20 ms of where it is expected, and 49 at 30 ms: knee 2.5 deg,
# contact 5.3 ms RMSE, at 30 ms too, as with 9 looks and with 30.
DECIDE_FROM_S, DECIDE_HALVED_S, DECIDE_TO_S = -0.055, 0.004, 0.075
SEEN_BEFORE_S, SEEN_AFTER_S = 0.025, 0.040     # of them, either side of the landing, for this to hold
WIDER_S = 0.030          # to either side, where they hold no landing: of 115 drawn ones that are 30 to 50 ms from where they were expected 111 to 115 are decided so
AT_LANDING = ("front_knee_ffc_deg", "trunk_lean_ffc_deg")
# Of the landing, by the second model too: two looks told as much of 358 drawn balls as four until 55 ms after it. While live looks alone
# have timed it, so much more to either side.
SECOND_FROM_S, SECOND_TO_S, SECOND_DOUBT_S = -0.003, 0.030, 0.020

Size = tuple[int, int]


def whole(live: Track, ball: Candidate, size_px: Size) -> tuple[tuple[Span, ...], tuple[Span, ...]]:
    """The delivery stride, closely: the landing and what follows first, then what was before it; and the run-up, backwards piece by
    piece, each in a box of its own."""
    step, coarse = to_ns(LANDING_STEP_S), to_ns(RUN_STEP_S)
    landing, release = ball.landing_s, ball.release_s
    runner = _runner(live, ball)
    stride = (_span(runner, landing - 0.02, max(release + LANDING_LOOK_S, landing + LEAST_LOOK_S), step, size_px),
              _span(runner, landing - 0.02, landing - STRIDE_LOOK_S, step, size_px))
    run_up, end = [], landing - STRIDE_LOOK_S
    while end > landing - RUN_UP_LOOK_S:
        begin = max(end - PIECE_S, landing - RUN_UP_LOOK_S)
        run_up.append(_span(runner, end, begin, coarse, size_px))
        end = begin
    return stride, tuple(run_up)


def deciding(live: Track, ball: Candidate, size_px: Size, measure: str) -> tuple[Span, ...]:
    """The looks that alone decide that measure, in order of time; none where it takes the whole ball. In two pieces, for two
    to look at once: the first can begin before the landing, and whoever has it looks with the second model as well."""
    if measure not in AT_LANDING:
        return ()
    step, edges, runner = to_ns(LANDING_STEP_S), (DECIDE_FROM_S, DECIDE_HALVED_S, DECIDE_TO_S), _runner(live, ball)
    return tuple(_span(runner, ball.landing_s + begin, ball.landing_s + end, step, size_px) for begin, end in zip(edges, edges[1:]))


def second_ns(landing_s: float, doubt_s: float = 0.0) -> tuple[int, int]:
    """Between which moments the second model looks as well, where the landing may be so far from there."""
    return to_ns(landing_s + SECOND_FROM_S - doubt_s), to_ns(landing_s + SECOND_TO_S + doubt_s)


def decides(landing_s: float, spans: tuple[Span, ...]) -> bool:
    """Whether a landing lies so within these deciding looks that they tell its moment and the knee after it."""
    return bool(spans) and spans[0].first_ns <= to_ns(landing_s - SEEN_BEFORE_S) and to_ns(landing_s + SEEN_AFTER_S) <= spans[-1].last_ns


def widened(spans: tuple[Span, ...], landing_s: float | None) -> tuple[Span, ...]:
    """The deciding looks for a landing elsewhere than expected, in the same boxes: what was looked at need not be again. None: it
    was not seen in them, and may be on either side."""
    if landing_s is None:
        first, last = spans[0].first_ns - to_ns(WIDER_S), spans[-1].last_ns + to_ns(WIDER_S)
    else:
        first, last = to_ns(landing_s + DECIDE_FROM_S), to_ns(landing_s + DECIDE_TO_S)
    return (replace(spans[0], first_ns=min(first, spans[0].first_ns)), *spans[1:-1],
            replace(spans[-1], last_ns=max(last, spans[-1].last_ns)))


def deciding_count(fps: float) -> int:
    """How many looks `deciding` asks for at that rate, about."""
    return round((DECIDE_TO_S - DECIDE_FROM_S) * fps / math.ceil(fps * LANDING_STEP_S))


def _span(runner: Runner | None, first_s: float, last_s: float, step_ns: int, size_px: Size) -> Span:
    first_ns, last_ns = to_ns(first_s), to_ns(last_s)
    box = _clipped(runner.box_px(first_ns, last_ns), size_px) if runner else None
    return Span(first_ns, last_ns, step_ns, box, runner if box else None)


def _runner(live: Track, ball: Candidate) -> Runner | None:
    """The hips' way, where they were not seen the straight one of the delivery stride, and a body round it, which looks the taller
    the nearer it is; None where too little of the stride was seen."""
    live = live.where(np.isfinite(live.middle("hip")).all(1))
    stride = live.between(ball.landing_s - 0.25, ball.release_s + 0.05)
    if len(stride) < 3:
        return None
    unseen = UNSEEN_S * np.polyfit(stride.t_s - ball.landing_s, stride.middle("hip"), 1)[0]
    hips = live.middle("hip")
    t, hips = np.array([live.t_s[0] - UNSEEN_S, *live.t_s, live.t_s[-1] + UNSEEN_S]), np.array([hips[0] - unseen, *hips, hips[-1] + unseen])
    tall = (track.height_px(stride) * _taller(live, ball.landing_s, t))[:, None]
    sides = np.hstack([hips, hips]) + tall * np.array([-ASIDE, -UP, ASIDE, DOWN])
    return Runner(tuple(map(to_ns, t)), tuple(map(tuple, sides.tolist())))


def _taller(live: Track, than_s: float, at_s: np.ndarray) -> np.ndarray:
    """How much taller the bowler looks at those moments (T,) than at that one, for the way that was seen."""
    length, t = track.lengths_px(live), live.t_s - than_s
    seen = np.isfinite(length)
    line = np.polyfit(t[seen], length[seen], 1) if seen.any() and np.ptp(t[seen]) > LONG_S else [0.0, 1.0]
    return np.clip(np.polyval(line, (at_s - than_s).clip(t[0], t[-1])) / line[1], 1 / TALLER, TALLER)


def _clipped(box: Box, size_px: Size) -> Box | None:
    """As far as it is in the picture; None where next to nothing of it is."""
    left, top, right, bottom = max(0, box[0]), max(0, box[1]), min(size_px[0], box[2]), min(size_px[1], box[3])
    return (left, top, right, bottom) if min(right - left, bottom - top) > 40 else None
