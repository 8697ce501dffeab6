"""Engine: the only room with memory. It is told what was seen and when, and answers with orders.

    now(focus, arm)           what is asked of whoever bowls from now on
    see(pose)                 a live look, in order of time (also a look that saw nobody)
    see_closely(ball, pose)   a look with the measuring model that was asked for by `Look`, in any order
    looked(ball)              every look of that ball has been given
    moved(is_moved)           whether the camera stands elsewhere than where its marks were placed
    wake(now_ns), wake_at_ns  what is due by now, a part of it; when to be woken next
    finish()                  the source has ended: nothing more will be seen
    orders()                  what to do, since this was last asked
    snapshot()                what it knows, for the screen

It reads no clock and touches nothing.
"""
from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace
from typing import Iterator

import numpy as np

from creaseside import doubts, finder, lane, leg_action, lines, looks, measures, swing, track
from creaseside.ball import QUANTITIES, Ball, Value
from creaseside.camera import Camera
from creaseside.finder import Candidate
from creaseside.focus import Focus, judge
from creaseside.orders import Box, Cue, Log, Look, Order, Show, Span
from creaseside.pace import Pace
from creaseside.pose import Pose
from creaseside.settings import Feedback
from creaseside.settings import Log as LogSettings
from creaseside.stamps import NS, to_ns
from creaseside.track import Track

REMEMBER_S = 1.8         # the delivery stride, the delivery, and time to notice it; longer, and who walked there before counts for the bowler
NOTICE_S = 0.15          # the arm has passed, the front foot has been seen to stand
CLEAR_S = 0.05           # the same where nothing about it is unclear: a swing shows on both sides of the top by then
FORESEEN_S = 0.45        # a ball that was foreseen and is not seen to have been bowled by then was none
ELSEWHERE_S = 0.055      # from where it was expected: live looks time a landing up to 68 ms off (measured), nearer ones the close looks tell
HIPS_LAND_M = 0.55       # down the pitch, where a front foot lands whose heel is behind the popping crease (drawn: 0.45 to 0.59)
LEARNS = 0.25            # of how far off that was at the last ball: bowlers take turns
APART_S = 2.0            # nobody bowls two balls in this time
RESTS_S, RESTS_NS = 0.7, NS // 12   # after a clear release the looks that measure it go first; an unclear one may be a slip in a run-up
SAME_S = 0.20            # two sightings of one arm's swing are no further apart; a slip before it may be a quarter of a second away
RAN_M_S = 3.0            # hips this fast in the delivery stride had a run-up; slower ones are asked for it
UNCLEAR_S = 0.30         # arm and foot of the same side: the non-bowling arm going up, or sides mixed up; wait for the better candidate
LANE_HALF_M = 2.3        # from the middle stump: a bowler's feet come down within 1.5 m of it, and the ground is seen to half a metre
RUNS, CROSSED, TOLD_S = 1.2, 0.30, 0.20   # hips this many heights from where a run of so many a second, seen for so long, has them are another's,
CROSSED_S = 0.07         # and those of the looks just before may have been
HELD_S, AHEAD, BEHIND = 0.8, 0.9, 0.4     # for so long the runner is looked for where they must be, with so many heights round it
STRANGER_LOOKS = 8       # a fifth of a second; a foot in the air looks farther away than it is, and every runner has one on the ground by then
COARSE_SD_S = 0.02       # a release from live looks alone (demo net: 15 ms at most)
TWICE_SD = 2.0           # further apart, two values of one thing contradict each other
UNFINISHED = "still being measured when this was written"
NOT_AGAIN = "not found again on the closer look"
DISAGREES = "first and whole look disagree"


@dataclass(slots=True)
class _Open:
    """A ball that was found and waits for its close looks, with what was asked for when it was bowled. `bowled`: it was, and
    is not only expected or foreseen; `back`: its looks were given before that was known; `expected`: as it was before anything
    of it was seen; `few`: the looks that decide; `widened`: more of them were asked for, since the landing was not well within
    them; `by_stride`: they did not decide, so the whole delivery stride is to; `then`: those that follow; `live`: the live looks
    that it was found in; `poses`, `second`: the close ones, by the measuring and by the second model; `told`: what was logged and
    announced before the last of them."""

    number: int
    candidate: Candidate
    focus: Focus | None
    arm: str | None
    bowled: bool = True
    back: bool = False
    expected: Candidate | None = None
    few: tuple[Span, ...] = ()
    widened: bool = False
    by_stride: bool = False
    then: tuple[tuple[Span, ...], ...] = ()
    live: Track | None = None
    poses: list[Pose] = field(default_factory=list)
    second: list[Pose] = field(default_factory=list)
    told: Log | None = None

    def as_track(self) -> Track:
        """The close looks so far, put in order."""
        return track.cleaned(track.of(self.poses))


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
        self._pace = Pace()
        self._open: dict[int, _Open] = {}
        self._ending: deque[Iterator[None]] = deque()
        self._orders: list[Order] = []
        self._looks = self._balls = 0
        self._off_lane_m: deque[float] = deque(maxlen=STRANGER_LOOKS)
        self._searching = False
        self._held: tuple[float, Box] | None = None      # until when, and where
        self._looked_at_s: list[float] = []       # releases that were looked at closely, whether or not there was a ball
        self._clear_s = self._bowled_s = -np.inf  # the last release that was clear live, and the last of a ball
        self._hips_land_m = HIPS_LAND_M           # of the balls so far

    # --- what the shell says --------------------------------------------------------------------------------------------

    def now(self, focus: Focus | None, arm: str | None) -> None:
        """Another player is up, or another block: what balls found from now on are judged by. Those found before keep theirs."""
        self._focus, self._arm = focus, arm

    def see(self, pose: Pose) -> None:
        """A live look, in order of time."""
        self._seen.append(pose)
        while pose.stamp.t_s - self._seen[0].stamp.t_s > REMEMBER_S:
            self._seen.popleft()
        self._pace.see(pose)
        self._hold(pose)
        if self._pace.may_have_bowled and not self._just_found(pose.stamp.t_s):
            self._search(pose.stamp.t_s)
        self._open = {n: ball for n, ball in self._open.items()
                      if ball.bowled or pose.stamp.t_s - ball.candidate.release_s < FORESEEN_S}
        self._look_elsewhere(pose)

    def see_closely(self, ball: int, pose: Pose) -> None:
        """A look that `Look` asked for; of a ball that is over it is ignored."""
        if ball in self._open:
            (self._open[ball].second if pose.model == "second" else self._open[ball].poses).append(pose)

    def looked(self, ball: int) -> None:
        """Every look that was asked for has been given: judge and ask for the rest, or measure and say what to do."""
        opened = self._open.get(ball)
        if opened is None:
            return
        if not opened.bowled:
            opened.back = True
        elif opened.then and opened.by_stride:
            self._decide_by_stride(opened)
        elif opened.then:
            self._decide(opened)
        elif opened.told:
            self._ending.append(self._conclude(opened))
        else:
            deque(self._conclude(opened), 0)

    def moved(self, is_moved: bool) -> None:
        """While the camera stands elsewhere its marks say nothing: balls are measured as without, and flagged."""
        self._moved = is_moved
        self._camera = None if is_moved else self._placed

    def finish(self) -> None:
        """Nothing more will be seen: a ball just bowled counts as it is."""
        if self._seen:
            self._search(self._seen[-1].stamp.t_s + NOTICE_S + UNCLEAR_S)
        self._open = {n: ball for n, ball in self._open.items() if ball.bowled}

    def wake(self, now_ns: int) -> None:
        """Nothing in here waits for time alone, since every order carries its own moment. But the numbers of a ball that was
        announced already are worked out a part at a time, so that its replay does not stand still for them."""
        if self._ending and next(self._ending[0], self) is self:
            self._ending.popleft()

    @property
    def wake_at_ns(self) -> int | None:
        return 0 if self._ending else None

    def orders(self) -> tuple[Order, ...]:
        out, self._orders = tuple(self._orders), []
        return out

    def snapshot(self) -> Snapshot:
        return Snapshot(self._balls, bool(self._open), bool(self._seen) and self._seen[-1].missing is None)

    def waits_for(self, ball: int) -> bool:
        """Whether looks of that ball are still of use."""
        return ball in self._open

    @property
    def deciding(self) -> bool:
        """A ball was bowled, and the few looks that decide its verdict are asked for: all else can wait."""
        return any(ball.bowled and ball.then and not ball.by_stride for ball in self._open.values())

    @property
    def live_box_px(self) -> Box | None:
        """Where the next live look is to search, None for the whole picture; a box other than the last begins a new search.

        The model follows whom it has: while that is somebody beyond the lane, every look searches anew for the bowler; and where it
        went over to somebody who crossed, it looks where the runner must be.
        """
        return self._held[1] if self._held else (0, 0, *self._size) if self._searching else None

    @property
    def live_step_ns(self) -> int:
        """How far apart live looks may be, as long as somebody is there: often at who runs, seldom at who stands or has just bowled."""
        rests = bool(self._seen) and self._seen[-1].stamp.t_s - self._clear_s < RESTS_S
        return max(self._pace.step_ns, RESTS_NS) if rests else self._pace.step_ns

    def _look_elsewhere(self, pose: Pose) -> None:
        if self._camera is None or pose.missing is not None:
            self._off_lane_m.clear()
        else:
            self._off_lane_m.append(abs(lane.feet_y_m(track.of([pose]), self._camera)))
        beyond = len(self._off_lane_m) == STRANGER_LOOKS and min(self._off_lane_m) > LANE_HALF_M
        self._searching = beyond and not self._searching

    def _hold(self, pose: Pose) -> None:
        """Whoever runs down the pitch and is suddenly elsewhere was lost to somebody who crossed."""
        now_s = pose.stamp.t_s
        if self._held and now_s > self._held[0]:
            self._held = None
        if self._held or pose.missing is not None or self._camera is None:
            return
        run = [p for p in self._seen if 0 < now_s - CROSSED_S - p.stamp.t_s < TOLD_S and p.missing is None]
        if len(run) < 4:
            return
        hips, height = track.of([*run, pose]).middle("hip"), track.height_px(track.of(run))
        speed, here = np.polyfit([p.stamp.t_s - now_s for p in run], hips[:-1], 1)
        onward = np.sign(np.subtract(*self._camera.project(np.array([[1.0, 0.0, 0.9], [0.0, 0.0, 0.9]])))[0])
        runs = speed[0] * onward > RUNS * height and abs(lane.feet_y_m(track.of(run), self._camera)) < LANE_HALF_M
        if runs and np.linalg.norm(hips[-1] - here) > CROSSED * height:
            self._seen = deque(p for p in self._seen if now_s - p.stamp.t_s > CROSSED_S)
            ends = sorted([here[0] - onward * BEHIND * height, here[0] + HELD_S * speed[0] + onward * AHEAD * height])
            low = np.clip([ends[0], here[1] - AHEAD * height], 0, self._size).astype(int).tolist()
            high = np.clip([ends[1], here[1] + AHEAD * height], 0, self._size).astype(int).tolist()
            self._held = now_s + HELD_S, (*low, *high)

    # --- finding --------------------------------------------------------------------------------------------------------

    def _search(self, now_s: float) -> None:
        live = track.cleaned(track.of(self._seen))
        if len(live) < 6 or not np.isfinite(track.height_px(live)):
            return
        plane = lane.of(live, self._camera)
        arms_deg = swing.straight_arms_deg(live, plane)
        for candidate in finder.find(live, plane, arms_deg):
            if now_s - candidate.release_s >= self._ripe_s(candidate) and not self._known(candidate):
                self._found(live, candidate)
        if self._focus:
            self._look_ahead(live, plane, arms_deg, now_s)

    def _look_ahead(self, live: Track, plane: lane.Lane, arms_deg: np.ndarray, now_s: float) -> None:
        """A ball that is about to be bowled: the looks that decide it begin with its stride, or with its arm on the way up."""
        waiting = next((ball for ball in self._open.values() if not ball.bowled), None)
        if waiting and waiting.candidate.arm:
            return
        candidate = finder.foresee(live, plane, arms_deg)
        if candidate and not _is_clear(candidate):
            candidate = None
        if waiting is None:
            candidate = candidate or finder.expect(live, plane, self._hips_land_m)
        if candidate is None or now_s >= candidate.release_s + CLEAR_S or self._known(candidate):
            return
        if waiting:
            self._aim(waiting, live, candidate)
        elif spans := looks.deciding(live, candidate, self._size, self._focus.measure):
            opened = self._opened(candidate, bowled=False)
            opened.expected = None if candidate.arm else candidate
            self._order_few(opened, spans, candidate.landing_s)

    def _found(self, live: Track, candidate: Candidate) -> None:
        """A ball was bowled. Where it was expected or foreseen, its looks are on their way or back."""
        self._looked_at_s = [*self._looked_at_s[-9:], candidate.release_s]
        self._clear_s = candidate.release_s if _is_clear(candidate) else self._clear_s
        ahead = [ball for ball in self._open.values()
                 if not ball.bowled and abs(ball.candidate.release_s - candidate.release_s) <= SAME_S]
        opened = ahead[0] if ahead else self._opened(candidate)
        opened.bowled, opened.live, opened.then = True, live, looks.whole(live, candidate, self._size)
        if not self._aim(opened, live, candidate):
            if not (opened.few and _is_clear(candidate)):
                self._order_rest(opened)
            elif opened.back:
                self.looked(opened.number)

    def _aim(self, opened: _Open, live: Track, candidate: Candidate) -> bool:
        """What is known of the ball by now; where its deciding looks are not asked for, or lie elsewhere, they are ordered."""
        near = opened.few and abs(opened.candidate.landing_s - candidate.landing_s) <= ELSEWHERE_S
        opened.candidate = candidate
        spans = () if near else self._deciding(live, candidate)
        if spans:
            self._order_few(opened, spans, candidate.landing_s)
        return bool(spans)

    def _opened(self, candidate: Candidate, bowled: bool = True) -> _Open:
        self._looks += 1
        self._open[self._looks] = _Open(self._looks, candidate, self._focus, self._arm, bowled)
        return self._open[self._looks]

    def _order_few(self, opened: _Open, spans: tuple[Span, ...], landing_s: float) -> None:
        opened.few, opened.back = spans, False
        self._orders.append(Look(opened.number, spans, True, looks.second_ns(landing_s)))

    def _order_rest(self, opened: _Open) -> None:
        """All other looks; but where a verdict at the landing is still to come, those of the delivery stride first."""
        parts, opened.then = opened.then, ()
        if not (opened.told or opened.by_stride) and opened.focus and opened.focus.measure in looks.AT_LANDING:
            opened.by_stride = True
            parts, opened.then = parts[:1], parts[1:]
        self._orders.append(Look(opened.number, sum(parts, ()), False, looks.second_ns(opened.candidate.landing_s, looks.SECOND_DOUBT_S)))

    def _just_found(self, now_s: float) -> bool:
        """An arm that goes over the top now belongs to the ball that was just found."""
        return bool(self._looked_at_s) and now_s - self._looked_at_s[-1] < finder.SAME_BALL_S

    def _known(self, candidate: Candidate) -> bool:
        return any(abs(candidate.release_s - t) <= SAME_S for t in self._looked_at_s)

    def _too_soon(self, candidate: Candidate) -> bool:
        """After the last ball: it is that one, seen once more."""
        return candidate.release_s - self._bowled_s < APART_S

    def _ripe_s(self, candidate: Candidate) -> float:
        if candidate.arm == candidate.front:
            return NOTICE_S + UNCLEAR_S
        return CLEAR_S if self._focus and _is_clear(candidate) else NOTICE_S

    def _deciding(self, live: Track, candidate: Candidate) -> tuple[Span, ...]:
        """Empty where there is nothing to judge, or where only the whole ball says whether it was one."""
        if not (self._focus and _is_clear(candidate)):
            return ()
        return looks.deciding(live, candidate, self._size, self._focus.measure)

    # --- measuring ------------------------------------------------------------------------------------------------------

    def _decide(self, opened: _Open) -> None:
        """The verdict from the looks that decide it. Where they do not, a few more of them or the whole stride will."""
        candidate, close = opened.candidate, opened.as_track()
        if len(close) < 4 or self._too_soon(candidate):
            return self._order_rest(opened)
        plane = lane.of(close, self._camera)
        candidate = replace(candidate, front=_foot_in_front(close, plane))
        seen = self._seen_closely(opened, close, plane, candidate, candidate.arm)
        landing = seen.phases.ffc
        if not (opened.widened or (landing and looks.decides(landing.value, opened.few))):
            opened.widened = True
            return self._order_few(opened, looks.widened(opened.few, landing.value), landing.value or candidate.landing_s)
        self._tell(opened, candidate, seen)
        self._order_rest(opened)

    def _decide_by_stride(self, opened: _Open) -> None:
        """The verdict from the whole delivery stride, which tells as well whether a ball was bowled, and with which arm."""
        close = opened.as_track()
        found = self._found_again(close, opened.candidate)
        if found and not self._too_soon(found[1]):
            seen, _ = self._seen_whole(opened, close, *found)
            self._tell(opened, found[1], seen)
        self._order_rest(opened)

    def _tell(self, opened: _Open, candidate: Candidate, seen: measures.Seen) -> None:
        """Announces a ball of which the judged measure alone is known yet; nothing where that is not."""
        measure = opened.focus.measure
        if found := _plausible(measure, measures.MEASURES[measure](seen)):
            values = {q.name: Value.missing(UNFINISHED) for q in QUANTITIES}
            values |= {"ffc_s": seen.phases.ffc, "br_s": Value(candidate.release_s, COARSE_SD_S), measure: found}
            ball = Ball(seen.phases.arm, values, verdict=judge(opened.focus, found), not_measured={"front_leg_action": UNFINISHED})
            self._bowled_s, self._balls = candidate.release_s, self._balls + 1
            opened.told = self._announce(opened, ball, seen, more=True)

    def _conclude(self, opened: _Open) -> Iterator[None]:
        """In parts of some milliseconds each; the ball is over at the last of them."""
        try:
            yield from self._concluded(opened)
        finally:
            self._open.pop(opened.number, None)

    def _concluded(self, opened: _Open) -> Iterator[None]:
        close = opened.as_track()
        found = self._found_again(close, opened.candidate)
        if found is None:                                  # the closer look saw no run, no arm or no landing: no ball was bowled
            if opened.told:                                # unless it was announced: then it says what is known of it
                self._orders.append(replace(opened.told, what=_unfinished(opened.told.what), more=False))
            return
        plane, candidate = found
        if opened.told is None and self._too_soon(candidate):
            return
        yield
        close = swing.told_apart(close, plane, candidate.swing)
        yield
        seen, flags = self._seen_whole(opened, close, plane, candidate)
        values = {}
        for name, measure in measures.MEASURES.items():
            yield
            values[name] = _plausible(name, measure(seen))
        flags += doubts.of(opened.poses, seen)
        flags += ["camera moved"] if self._moved else []
        if opened.told:
            flags += _as_told(opened.focus.measure, values, opened.told.what)
        doubt = doubts.of_knee(seen, values["front_knee_ffc_deg"])
        ball = _judged(values, seen.phases.arm, (*flags, *([doubt] if doubt else [])), opened.focus)
        self._bowled_s = candidate.release_s
        if opened.expected and seen.phases.ffc:
            late_s = seen.phases.ffc.value - opened.expected.landing_s
            self._hips_land_m += LEARNS * late_s * opened.expected.run_up_m_s
        if opened.told:
            self._orders.append(replace(opened.told, what=replace(ball, verdict=opened.told.what.verdict), more=False))
            return
        self._balls += 1
        self._announce(opened, ball, seen)

    def _seen_whole(self, opened: _Open, close: Track, plane: lane.Lane, candidate: Candidate) -> tuple[measures.Seen, list[str]]:
        """A ball that was found again in close looks, with the arm and the foot that these have; and its flags for them."""
        arm, front, flags = _sides(candidate, opened.arm)
        return self._seen_closely(opened, close, plane, replace(candidate, front=front), arm), flags

    def _seen_closely(self, opened: _Open, close: Track, plane: lane.Lane, ball: Candidate, arm: str) -> measures.Seen:
        """The ball's phases and steps, in the running plane through its front foot."""
        heavy = any(p.model == "heavy" and p.missing is None for p in opened.poses)
        seen = measures.closely(close, plane, arm, ball.front, ball.release_s, ball.run_up_m_s, heavy, opened.live, track.of(opened.second))
        return seen if seen.front is None else replace(seen, lane=plane.through(seen.front.ground_m, 0.0))

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

    def _announce(self, opened: _Open, ball: Ball, seen: measures.Seen, more: bool = False) -> Log:
        number, measure = opened.number, opened.focus.measure if opened.focus else None
        landing = ball["ffc_s"].value if ball["ffc_s"] else seen.phases.br.value if seen.phases.br else float(seen.track.t_s[-1])
        release = ball["br_s"].value if ball["br_s"] else landing + 0.11
        at_ns = to_ns(release + self._feedback.cue_delay_s)
        first, last = to_ns(landing - self._log.clip_before_s), to_ns(landing + self._log.clip_after_s)
        log = Log(number, first, last, ball, more)
        self._orders.append(log)
        if ball.verdict is not None:
            self._orders.append(Cue(number, ball.verdict, at_ns))
        self._orders.append(Show(number, at_ns, first, last, to_ns(landing - 0.20), to_ns(release + 0.10), to_ns(landing),
                                 lines.of(seen, landing, measure), ball))
        return log


def _is_clear(candidate: Candidate) -> bool:
    """A run-up, an arm and the foot that goes with it: a ball without a closer look."""
    return candidate.arm != candidate.front and candidate.run_up_m_s > RAN_M_S


def _foot_in_front(close: Track, plane: lane.Lane) -> str:
    """By its place in the last looks: names may be mixed up there, whoever lands has one foot in front."""
    along = {side: np.nanmedian(plane.flat(close[f"{side}_ankle"][-4:])[:, 0]) for side in ("left", "right")}
    return max(along, key=lambda side: np.nan_to_num(along[side], nan=-np.inf))


def _sides(candidate: Candidate, declared: str | None) -> tuple[str, str, list[str]]:
    """Bowling arm and front foot. A bowler lands on the foot opposite the arm; where the picture disagrees the ball is flagged."""
    other = {"left": "right", "right": "left"}
    if candidate.front == other[candidate.arm]:
        flags = [f"bowled with the {candidate.arm} arm, not as declared"] if declared not in (None, candidate.arm) else []
        return candidate.arm, candidate.front, flags
    arm = declared or candidate.arm
    return arm, candidate.front, ["left and right unclear"]


def _as_told(measure: str, values: dict[str, Value], told: Ball) -> list[str]:
    """The number that was judged and said stays the ball's; where the whole ball says otherwise it is flagged."""
    first, whole = told[measure], values[measure]
    values[measure] = first
    apart = whole and abs(whole.value - first.value) > TWICE_SD * float(np.hypot(first.sd, whole.sd))
    return [DISAGREES] if apart else []


def _unfinished(ball: Ball) -> Ball:
    """An announced ball of which the whole could not be measured."""
    values = {name: v if v else Value.missing(NOT_AGAIN) for name, v in ball.values.items()}
    return replace(ball, values=values, flags=(NOT_AGAIN,), not_measured={"front_leg_action": NOT_AGAIN})


def _judged(values: dict[str, Value], arm: str, flags: tuple[str, ...], focus: Focus | None) -> Ball:
    share = sum(bool(v) for v in values.values()) / len(QUANTITIES)
    quality = share * (0.6 ** len(flags))
    action, reasons = leg_action.told(*(values[f"front_knee_{at}_deg"] for at in ("ffc", "min", "br")))
    verdict = judge(focus, values[focus.measure]) if focus else None
    return Ball(arm, values, action, quality, flags, verdict, reasons)


LIMITS = {"run_up_speed_m_s": (1.5, 9.0), "speed_kept": (0.0, 1.5), "stride_length_m": (0.5, 2.6), "front_knee_ffc_deg": (80.0, 200.0),
          "front_knee_min_deg": (70.0, 200.0), "front_knee_br_deg": (70.0, 205.0)}   # outside nobody bowls: a slip, not a number


def _plausible(name: str, value: Value) -> Value:
    low, high = LIMITS.get(name, (-np.inf, np.inf))
    if value and not low <= value.value <= high:
        return Value.missing(f"{value.value:.3g} is outside what a body does")
    return value
