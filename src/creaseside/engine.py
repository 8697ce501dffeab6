"""Engine: the only room with memory. It is told what was seen and when, and answers with orders.

    now(focus, arm)           what is asked of whoever bowls from now on
    see(pose)                 a live look, in order of time (also a look that saw nobody)
    see_closely(ball, pose)   a look with the measuring model that was asked for by `Look`, in any order
    looked(ball)              every look of that ball has been given
    moved(is_moved)           whether the camera stands elsewhere than where its marks were placed
    wake(now_ns), wake_at_ns  what is due by now; when to be woken next
    finish()                  the source has ended: nothing more will be seen
    orders()                  what to do, since this was last asked
    snapshot()                what it knows, for the screen

It reads no clock and touches nothing.
"""
from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Iterable

import numpy as np

from creaseside import finder, lane, lines, measures, phases, track
from creaseside.ball import QUANTITIES, Ball, Value
from creaseside.camera import Camera
from creaseside.finder import Candidate
from creaseside.focus import Focus, judge
from creaseside.orders import Cue, Log, Look, Order, Show, Span
from creaseside.pose import Pose
from creaseside.settings import Feedback
from creaseside.settings import Log as LogSettings
from creaseside.stamps import to_ns
from creaseside.track import Track

REMEMBER_S = 1.8         # the delivery stride, the delivery, and time to notice it; longer, and who walked there before counts for the bowler
NOTICE_S = 0.15          # the arm has passed, the front foot has been seen to stand
APART_S = 2.0            # nobody bowls two balls in this time
SAME_S = 0.25            # two sightings of one arm's swing are no further apart
RUN_UP_LOOK_S = 1.06     # how far before front foot contact the run-up is looked at again: back foot contact and two steps before it
LANDING_LOOK_S = 0.09    # either side of the landing and release every frame counts
LEAST_LOOK_S = 0.20      # after the landing: the release, also where the light model mixed up the arms and timed it badly
RUN_STEP_S = 1 / 45      # the run-up is slow beside the landing: a look in 25 ms finds its steps as well as one in 16 (measured), in half the time
LANDING_STEP_S = 1 / 140
ROOM = 0.22              # of the body's height, left round the bowler in a close look's box
PIECE_S = 0.32           # a box holds the bowler this long, however fast they run
RAN_M_S = 3.0            # hips this fast in the delivery stride had a run-up; slower ones are asked for it
UNCLEAR_S = 0.30         # arm and foot of the same side: the non-bowling arm going up, or sides mixed up; wait for the better candidate
LANE_HALF_M = 2.3        # from the middle stump: a bowler's feet come down within 1.5 m of it, and the ground is seen to half a metre
STRANGER_LOOKS = 8       # a fifth of a second; a foot in the air looks farther away than it is, and every runner has one on the ground by then
DIM_FPS = 45.0           # below this a knee at the landing is good for a band, not for a number (60 fps the least, 120 better)


@dataclass(slots=True)
class _Open:
    """A ball that was found and waits for its close looks, with what was asked for when it was bowled."""

    number: int
    candidate: Candidate
    focus: Focus | None
    arm: str | None
    poses: list[Pose] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What the engine knows, for the screen: balls so far, whether one is being measured, whether somebody is in the lane."""

    balls: int
    measuring: bool
    somebody: bool


class Engine:
    def __init__(self, camera: Camera | None, focus: Focus | None, feedback: Feedback, log: LogSettings,
                 arm: str | None = None, size_px: tuple[int, int] = (1280, 720)) -> None:
        self._camera, self._focus, self._feedback, self._log, self._arm, self._size = camera, focus, feedback, log, arm, size_px
        self._placed, self._moved = camera, False
        self._seen: deque[Pose] = deque()
        self._open: dict[int, _Open] = {}
        self._orders: list[Order] = []
        self._looks = self._balls = 0
        self._off_lane_m: deque[float] = deque(maxlen=STRANGER_LOOKS)
        self._searching = False
        self._looked_at_s: list[float] = []       # releases that were looked at closely, whether or not there was a ball
        self._bowled_s = -np.inf

    # --- what the shell says --------------------------------------------------------------------------------------------

    def now(self, focus: Focus | None, arm: str | None) -> None:
        """Another player is up, or another block: what balls found from now on are judged by. Those found before keep theirs."""
        self._focus, self._arm = focus, arm

    def see(self, pose: Pose) -> None:
        """A live look, in order of time."""
        self._seen.append(pose)
        while pose.stamp.t_s - self._seen[0].stamp.t_s > REMEMBER_S:
            self._seen.popleft()
        self._search(pose.stamp.t_s - NOTICE_S)
        self._look_elsewhere(pose)

    def see_closely(self, ball: int, pose: Pose) -> None:
        """A look that `Look` asked for; of a ball that is over it is ignored."""
        if ball in self._open:
            self._open[ball].poses.append(pose)

    def looked(self, ball: int) -> None:
        """Every look of that ball has been given: measure, judge, and say what to do."""
        opened = self._open.pop(ball, None)
        if opened is not None:
            self._conclude(opened)

    def moved(self, is_moved: bool) -> None:
        """While the camera stands elsewhere its marks say nothing: balls are measured as without, and flagged."""
        self._moved = is_moved
        self._camera = None if is_moved else self._placed

    def finish(self) -> None:
        """Nothing more will be seen: a ball just bowled counts as it is."""
        if self._seen:
            self._search(self._seen[-1].stamp.t_s + UNCLEAR_S)

    def wake(self, now_ns: int) -> None:
        """Nothing in here waits for time alone: every order carries its own moment."""

    @property
    def wake_at_ns(self) -> int | None:
        return None

    def orders(self) -> tuple[Order, ...]:
        out, self._orders = tuple(self._orders), []
        return out

    def snapshot(self) -> Snapshot:
        return Snapshot(self._balls, bool(self._open), bool(self._seen) and self._seen[-1].missing is None)

    @property
    def live_box_px(self) -> tuple[int, int, int, int] | None:
        """Where the next live look is to search, None for the whole picture; a box other than the last begins a new search.

        The model follows whom it has: while that is somebody beyond the lane, every look searches anew for the bowler.
        """
        return (0, 0, *self._size) if self._searching else None

    def _look_elsewhere(self, pose: Pose) -> None:
        if self._camera is None or pose.missing is not None:
            self._off_lane_m.clear()
        else:
            self._off_lane_m.append(abs(lane.feet_y_m(track.of([pose]), self._camera)))
        beyond = len(self._off_lane_m) == STRANGER_LOOKS and min(self._off_lane_m) > LANE_HALF_M
        self._searching = beyond and not self._searching

    # --- finding --------------------------------------------------------------------------------------------------------

    def _search(self, until_s: float) -> None:
        live = track.cleaned(track.of(self._seen))
        if len(live) < 6 or not np.isfinite(track.height_px(live)):
            return
        plane = lane.of(live, self._camera)
        for candidate in finder.find(live, plane):
            ripe = candidate.release_s <= until_s - (UNCLEAR_S if candidate.arm == candidate.front else 0.0)
            if ripe and all(abs(candidate.release_s - t) > SAME_S for t in self._looked_at_s):
                self._looked_at_s = [*self._looked_at_s[-9:], candidate.release_s]
                self._looks += 1
                self._open[self._looks] = _Open(self._looks, candidate, self._focus, self._arm)
                self._orders.append(Look(self._looks, _spans(live, candidate, self._size)))

    # --- measuring ------------------------------------------------------------------------------------------------------

    def _conclude(self, opened: _Open) -> None:
        close = track.cleaned(track.of(opened.poses))
        found = self._found_again(close, opened.candidate)
        if found is None:                                  # the closer look saw no run, no arm or no landing: no ball was bowled
            return
        plane, candidate = found
        if candidate.release_s - self._bowled_s < APART_S:
            return
        self._bowled_s, self._balls = candidate.release_s, self._balls + 1
        arm, front, flags = _sides(candidate, opened.arm)
        when = phases.of(close, plane, arm, front, candidate.release_s, candidate.run_up_m_s)
        heavy = any(p.model == "heavy" and p.missing is None for p in opened.poses)
        seen = measures.see(close, plane, when, heavy)
        if seen.front is not None:
            plane = plane.through(seen.front.ground_m, 0.0)
        values = {name: measure(seen) for name, measure in measures.MEASURES.items()}
        flags += _flags(opened.poses, close, self._camera, heavy)
        flags += ["camera moved"] if self._moved else []
        ball = _judged(values, arm, tuple(flags), opened.focus)
        self._order(opened.number, ball, seen, opened.focus)

    def _found_again(self, close: Track, candidate: Candidate) -> tuple[lane.Lane, Candidate] | None:
        if len(close) < 6:
            return None
        plane = lane.of(close, self._camera)
        again = [c for c in finder.find(close, plane) if abs(c.release_s - candidate.release_s) < 0.25]
        if not again:
            return None
        found = min(again, key=lambda c: abs(c.release_s - candidate.release_s))
        run = finder.travel_m_s(close, plane, found.release_s, finder.RUN_UP_S)
        return None if run < finder.RUN_UP_M_S and found.run_up_m_s < RAN_M_S else (plane, found)

    def _order(self, number: int, ball: Ball, seen: measures.Seen, focus: Focus | None) -> None:
        landing = ball["ffc_s"].value if ball["ffc_s"] else seen.phases.br.value if seen.phases.br else float(seen.track.t_s[-1])
        release = ball["br_s"].value if ball["br_s"] else landing + 0.11
        first, last = to_ns(landing - self._log.clip_before_s), to_ns(landing + self._log.clip_after_s)
        self._orders.append(Log(number, first, last, ball))
        if ball.verdict is not None:
            self._orders.append(Cue(number, ball.verdict, to_ns(release + self._feedback.cue_delay_s)))
        self._orders.append(Show(number, to_ns(release + self._feedback.cue_delay_s), first, last,
                                 to_ns(landing - 0.20), to_ns(release + 0.10), to_ns(landing), lines.of(seen, landing, focus.measure if focus else None), ball))


def _spans(live: Track, candidate: Candidate, size_px: tuple[int, int]) -> tuple[Span, ...]:
    """The landing first, every frame of it; then backwards along the run-up, piece by piece, each in a box that holds the bowler."""
    step, coarse = to_ns(LANDING_STEP_S), to_ns(RUN_STEP_S)
    landing, release = candidate.landing_s, candidate.release_s
    spans = [_span(live, landing - 0.02, max(release + LANDING_LOOK_S, landing + LEAST_LOOK_S), step, candidate, size_px),
             _span(live, landing - 0.02, landing - 0.30, step, candidate, size_px)]
    end = landing - 0.30
    while end > landing - RUN_UP_LOOK_S:
        begin = max(end - PIECE_S, landing - RUN_UP_LOOK_S)
        spans.append(_span(live, end, begin, coarse, candidate, size_px))
        end = begin
    return tuple(spans)


def _span(live: Track, first_s: float, last_s: float, step_ns: int, candidate: Candidate, size_px: tuple[int, int]) -> Span:
    return Span(to_ns(first_s), to_ns(last_s), step_ns, _box(live, candidate, min(first_s, last_s), max(first_s, last_s), size_px))


def _box(live: Track, candidate: Candidate, first_s: float, last_s: float, size_px: tuple[int, int]) -> tuple[int, int, int, int] | None:
    """Where the bowler is from `first_s` to `last_s`: the hips' straight way through the delivery stride, and a body round it."""
    stride = live.between(candidate.landing_s - 0.25, candidate.release_s + 0.05)
    middle = stride.middle("hip")
    ok = np.isfinite(middle).all(1)
    if ok.sum() < 3:
        return None
    tall = track.height_px(stride)
    way = np.polyfit(stride.t_s[ok], middle[ok, 0], 1)
    x = np.sort(np.polyval(way, [first_s, last_s]))
    y = float(np.median(middle[ok, 1]))
    wide, up, down = 0.62 * tall, (0.72 + ROOM) * tall, (0.56 + ROOM) * tall
    box = (max(0, int(x[0] - wide)), max(0, int(y - up)), min(size_px[0], int(x[1] + wide)), min(size_px[1], int(y + down)))
    return box if box[2] - box[0] > 40 and box[3] - box[1] > 40 else None


def _sides(candidate: Candidate, declared: str | None) -> tuple[str, str, list[str]]:
    """Bowling arm and front foot. A bowler lands on the foot opposite the arm; where the picture disagrees the ball is flagged."""
    other = {"left": "right", "right": "left"}
    if candidate.front == other[candidate.arm]:
        flags = [f"bowled with the {candidate.arm} arm, not as declared"] if declared not in (None, candidate.arm) else []
        return candidate.arm, candidate.front, flags
    arm = declared or candidate.arm
    return arm, candidate.front, ["left and right unclear"]


def _flags(poses: Iterable[Pose], close: Track, camera: Camera | None, heavy: bool) -> list[str]:
    flags = []
    poses = list(poses)
    if camera is None:
        flags.append("no marks")
    if not heavy:
        flags.append("light model only")
    landing = np.diff(close.t_s)
    if len(landing) and 1 / np.percentile(landing, 25) < DIM_FPS:
        flags.append("low frame rate")
    unseen = sum(p.missing is not None for p in poses)
    if poses and unseen > 0.25 * len(poses):
        flags.append("often not seen")
    strangers = len(poses) - unseen - len(close)
    if poses and strangers > 0.15 * len(poses):
        flags.append("someone else in the lane")
    return flags


def _judged(values: dict[str, Value], arm: str, flags: tuple[str, ...], focus: Focus | None) -> Ball:
    share = sum(bool(v) for v in values.values()) / len(QUANTITIES)
    quality = share * (0.6 ** len(flags))
    values = {name: _plausible(name, v) for name, v in values.items()}
    action = measures.front_leg_action(values["front_knee_ffc_deg"], values["front_knee_min_deg"], values["front_knee_br_deg"])
    verdict = judge(focus, values[focus.measure]) if focus else None
    reasons = {} if action else {"front_leg_action": "the front knee was not measured at all three moments"}
    return Ball(arm, values, action, quality, flags, verdict, reasons)


LIMITS = {"run_up_speed_m_s": (1.5, 9.0), "stride_length_m": (0.5, 2.6), "front_knee_ffc_deg": (80.0, 200.0),
          "front_knee_min_deg": (70.0, 200.0), "front_knee_br_deg": (70.0, 205.0)}   # outside nobody bowls: a slip, not a number


def _plausible(name: str, value: Value) -> Value:
    low, high = LIMITS.get(name, (-np.inf, np.inf))
    if value and not low <= value.value <= high:
        return Value.missing(f"{value.value:.3g} is outside what a body does")
    return value
