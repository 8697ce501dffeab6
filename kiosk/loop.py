"""Loop: one turn after the other: what the source brought and the pose processes saw goes to the engine, in order of time;
what the engine orders is carried out, and how late that was is written down.

It decides nothing about bodies, opens nothing and waits for nobody: a camera that is gone, a pose process that hangs, a
full disk or a failing scene are said on the screen, and the next turn comes.
"""
from __future__ import annotations

import threading
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from types import ModuleType
from typing import Callable, Iterable

from creaseside.engine import Engine
from creaseside.orders import Cue, Log, Look, Show
from creaseside.pose import Pose
from creaseside.stamps import NS, Stamp, to_ns
from kiosk import clock as real_clock
from kiosk import troubles
from kiosk.board import Board
from kiosk.course import STEPS, Course
from kiosk.cuttings import Cuttings
from kiosk.frames import Frame, frames_of
from kiosk.front import Front
from kiosk.health import Health, Lateness
from kiosk.inputs import Press
from kiosk.intake import Intake
from kiosk.knock import Lookout
from kiosk.live import Live
from kiosk.reel import Reel
from kiosk.scenes.view import Replay
from kiosk.scorer import Scorer
from kiosk.speaker import Speaker
from kiosk.texts import Texts
from kiosk.watcher import Watcher

TURN_NS = NS // 100
REST_NS = NS // 50              # while nobody is there and nothing moves on the screen: a third of what an empty lane takes is turns
HOLD_LIVE_NS = 2 * NS           # a recording waits while the live looks are this far behind it,
HOLD_CLOSE_NS = 13 * NS // 2    # or a frame this old is still to be looked at again: the reel would go over it
STILL_NS = 8 * NS               # nobody runs in for longer: somebody stands there, and the screen goes on


@dataclass(slots=True)
class Parts:
    """All that the loop is handed. front: what people get of each ball, and what their buttons do. origin: a moment -> the
    moment at which its file's time is 0 (None: no file). presses: what was pressed since. kept: keeps the story of the fault that is being handled."""

    intake: Intake
    reel: Reel
    watcher: Watcher
    engine: Engine
    speaker: Speaker
    scorer: Scorer
    board: Board
    front: Front
    cuttings: Cuttings
    health: Health
    texts: Texts
    kept: Callable[[str], object]
    origin: Callable[[int], int] | None = None
    lookout: Lookout | None = None
    presses: Callable[[int], Iterable[Press]] = lambda now_ns: ()
    upkeep: Callable[[int], object] = lambda now_ns: None
    clock: ModuleType = real_clock
    stop: threading.Event = field(default_factory=threading.Event)


class Loop:
    """`run` until it is stopped, or with `until_end` until the source has ended and all that follows from it is done."""

    def __init__(self, parts: Parts, until_end: bool = False) -> None:
        self.parts, self._until_end = parts, until_end
        self._live = Live(parts.watcher, parts.reel, parts.engine, parts.health)
        self._course = Course(parts.health)
        self._oldest_ns: dict[int, int] = {}                           # the oldest frame that a ball's looks want
        parts.intake.behind = self._behind
        self._looks: list[Look] = []                                   # whose last frame is still to come
        self._out: Counter[int] = Counter()                            # frames that are being looked at, by ball
        self._asked: defaultdict[int, list[Frame]] = defaultdict(list)
        self._closely: defaultdict[int, list[Pose]] = defaultdict(list)
        self._clips: dict[int, Log] = {}
        self._finished = False
        self._still_since_ns: int | None = None
        self._words: tuple[tuple[str, ...], tuple[str, ...]] = (), ()
        self._words_due_ns = 0
        self._replayed: tuple[Replay | None, int] = None, 0            # what was drawn last of a replay
        self._told: set[tuple[str, str]] = set()

    @property
    def done(self) -> bool:
        """The source has ended, and all that was to come of it has come."""
        return self._finished and not (self._looks or +self._out or self._clips or self._ending) and self.parts.scorer.idle

    @property
    def _ending(self) -> bool:
        """A ball's numbers are being worked out."""
        return self.parts.engine.wake_at_ns is not None

    def run(self) -> None:
        p = self.parts
        p.board.begin(p.clock.now_ns())
        p.intake.start()
        due_ns = p.clock.now_ns()
        while not p.stop.is_set() and not (self._until_end and self.done):
            self.turn()
            due_ns = max(due_ns + (REST_NS if self._rests else TURN_NS), p.clock.now_ns())
            p.clock.wait_until(due_ns, p.stop)

    @property
    def _rests(self) -> bool:
        return self._still_since_ns is None and not self._looks and self.parts.board.calm

    def turn(self) -> None:
        """One turn. Nothing in it waits."""
        p, now_ns = self.parts, self.parts.clock.now_ns()
        over, newest = p.intake.over, p.intake.newest       # in this order: the last frame is there when it is over
        if not (self._finished or p.engine.deciding):       # while a verdict is waited for both processes are the ball's
            self._safely("a live look", self._live.tick, newest, over)
        for ball, pose in p.watcher.poses():
            self._safely("a pose", self._saw, ball, pose)
        self._look_again(newest, over)
        self._safely("the camera's place", self._look_out, newest, now_ns)
        self._safely("the engine", self._wake, now_ns, over)
        for order in p.engine.orders():
            self._safely(f"the order {type(order).__name__}", self._carry_out, order)
        for ball in [ball for ball in self._asked if not (p.engine.waits_for(ball) or self._out[ball])]:
            del self._asked[ball]
            self._closely.pop(ball, None)
            self._course.over(ball)
        p.cuttings.tick(newest.t_ns if newest else 0, over, self._clips)
        self._hand_clips()
        p.speaker.tick(now_ns)
        p.scorer.heard(p.speaker.heard())
        self._safely("the log", p.scorer.tick, now_ns, p.speaker.way)
        self._safely("the front", p.front.tick, now_ns)
        self._safely("the screen", self._draw, now_ns)
        self._safely("the upkeep", p.upkeep, now_ns)
        for press in p.presses(now_ns):
            self._safely(f"the button {press.action}", self._pressed, press)

    # Eyes

    def _behind(self) -> bool:
        """Asked by the intake's thread: whether frames that are still wanted would soon be gone."""
        newest = self.parts.intake.newest
        if newest is None:
            return False
        wanted = min(self._oldest_ns.copy().values(), default=newest.t_ns)
        return self._live.behind_ns(newest) > HOLD_LIVE_NS or newest.t_ns - wanted > HOLD_CLOSE_NS

    def _saw(self, ball: int | None, pose: Pose) -> None:
        """A pose is done; a ball's last one is told to the engine."""
        if ball is None:
            self._live.came(pose)
            self.parts.engine.see(pose)
            return
        self.parts.health.count("close_looks")
        self._course.seen(ball, self.parts.clock.now_ns())
        self._closely[ball].append(pose)
        self._out[ball] -= 1
        try:
            self.parts.engine.see_closely(ball, pose)
        finally:
            self._all_back(ball)

    def _all_back(self, ball: int) -> None:
        if self._out[ball] == 0 and not any(look.ball == ball for look in self._looks):
            del self._out[ball]
            self._oldest_ns.pop(ball, None)
            self.parts.engine.looked(ball)

    def _look_again(self, newest: Stamp | None, over: bool) -> None:
        """Hand out the looks whose frames are all in the reel; where a verdict waits for them, each as soon as it is there."""
        newest_ns = newest.t_ns if newest else 0
        for look in list(self._looks):
            if whole := over or newest_ns >= _latest_ns(look):
                self._looks.remove(look)
            if whole or look.urgent:
                self._hand_out(look)
            if whole:
                self._safely("a look at nothing", self._all_back, look.ball)

    def _hand_out(self, look: Look) -> None:
        frames = frames_of(look, self.parts.reel, self._asked[look.ball])
        if frames:
            self._asked[look.ball] += frames
            self._out[look.ball] += len(frames)
            self._oldest_ns[look.ball] = min(self._oldest_ns.get(look.ball, frames[0].stamp.t_ns), *(frame.stamp.t_ns for frame in frames))
            self.parts.watcher.look(look.ball, frames, look.urgent)

    def _look_out(self, newest: Stamp | None, now_ns: int) -> None:
        if self.parts.lookout is not None:
            self.parts.lookout.tick(newest, now_ns)
            self.parts.engine.moved(self._has_moved)

    @property
    def _has_moved(self) -> bool:
        return self.parts.lookout is not None and self.parts.lookout.moved

    # The engine

    def _wake(self, now_ns: int, over: bool) -> None:
        engine = self.parts.engine
        caught_up = not self._live.out and (self.parts.intake.newest == self._live.at or not self.parts.watcher.alive())
        if over and caught_up and not self._finished:
            self._finished = True
            engine.finish()
        if engine.wake_at_ns is not None and now_ns >= engine.wake_at_ns:
            engine.wake(now_ns)

    def _carry_out(self, order: Look | Log | Cue | Show) -> None:
        p = self.parts
        if isinstance(order, Look):
            self._looks.append(order)
            self._course.asked(order.ball, p.clock.now_ns())
            self._look_again(p.intake.newest, p.intake.over)
        elif isinstance(order, Log):
            self._log(order)
        elif isinstance(order, Cue):
            p.front.cue(order)
        else:
            p.front.show(order, p.cuttings.want(order.ball, order.first_ns, order.last_ns))

    def _log(self, order: Log) -> None:
        """The ball is on the disk when this returns, or the log has said why not; its clip follows."""
        p, now_ns = self.parts, self.parts.clock.now_ns()
        p.cuttings.want(order.ball, order.first_ns, order.last_ns)
        if order.what["br_s"]:
            self._course.told(order.ball, to_ns(order.what["br_s"].value), now_ns)
        here = p.reel.stamps(order.first_ns, order.last_ns)
        middle = next((order.what[name].value for name in ("ffc_s", "br_s", "bfc_s") if order.what[name]), None)
        at_ns = order.first_ns if middle is None else to_ns(middle)
        whose = p.front.take(order).whose
        p.scorer.score(order, whose, self._seen_of(order), here[0].t_ns if here else order.first_ns,
                       p.origin(at_ns) if p.origin else None, now_ns)
        if not order.more and p.scorer.may_keep_pictures(whose):
            self._clips[order.ball] = order

    def _seen_of(self, order: Log) -> list[Pose]:
        """The ball's poses, each frame once a model, in order of time."""
        live = [pose for pose in self._live.poses if order.first_ns <= pose.stamp.t_ns <= order.last_ns]
        once = {(pose.model, pose.stamp): pose for pose in [*live, *self._closely.get(order.ball, ())]}
        return sorted(once.values(), key=lambda pose: pose.stamp)

    def _hand_clips(self) -> None:
        for ball, order in list(self._clips.items()):
            cutting = self.parts.cuttings.want(ball, order.first_ns, order.last_ns)
            if cutting.whole:
                del self._clips[ball]
                self.parts.scorer.clip(ball, cutting.frames(order.first_ns, order.last_ns))

    # In front of people

    def _draw(self, now_ns: int) -> None:
        p = self.parts
        if now_ns >= self._words_due_ns:
            self._words_due_ns = now_ns + troubles.AGAIN_NS
            self._words = (troubles.banner(p.texts, p.intake.trouble, p.scorer.trouble, p.watcher.alive(), self._has_moved),
                           troubles.messages(p.texts, p.health.snapshot(now_ns), p.speaker.way))
        begun = p.board.tick(now_ns, self._still(now_ns), *self._words)
        drawn_ns = p.clock.now_ns()
        self._time_replay(p.board.stage.view.replay if p.board.stage.now == "replay" else None, drawn_ns)
        if begun:
            p.health.late("words", begun.at_ns, drawn_ns)
            p.front.shown(begun, now_ns)

    def _time_replay(self, replay: Replay | None, drawn_ns: int) -> None:
        """How late it began, then how long each step of it took."""
        before, drawn_before_ns = self._replayed
        if replay is not None and replay is before:
            self.parts.health.late("replay step", drawn_before_ns, drawn_ns)
        elif replay is not None:
            self.parts.health.late("replay start", replay.from_ns, drawn_ns)
        self._replayed = replay, drawn_ns

    def _still(self, now_ns: int) -> bool:
        """Somebody is in the lane, or a ball is being measured: the screen between balls is not to move."""
        known = self.parts.engine.snapshot()
        if not (known.somebody or known.measuring):
            self._still_since_ns = None
            return False
        self._still_since_ns = self._still_since_ns or now_ns
        return now_ns - self._still_since_ns < STILL_NS

    def _pressed(self, press: Press) -> None:
        p = self.parts
        if press.action == "quit":
            p.stop.set()
        else:
            p.front.pressed(press)

    def _safely(self, what: str, do: Callable, *given: object) -> None:
        """A fault in one thing must not take the others with it; its story is kept once."""
        try:
            do(*given)
        except Exception as e:
            self.parts.health.count("faults")
            if (what, type(e).__name__) not in self._told:
                self._told.add((what, type(e).__name__))
                self.parts.kept(what)

    def summary(self) -> dict:
        """The run in numbers, for whoever asked for JSON."""
        p = self.parts
        health = p.health.snapshot(p.clock.now_ns())
        late, counts = health.late, dict(health.counts)
        bad = sum(p.intake.source.counts.values()) - p.intake.source.counts.get("reopened", 0)
        return {"balls": p.scorer.balls, "frames": health.frames,
                "frames_lost": health.lost + bad + counts.pop("refused", 0), "sound": p.speaker.way,
                "screen": p.board.stage.screen.way, "restarts": p.watcher.restarts,
                "cue_late_ms": _shares(late.get("cue"), 1.0, 3), "words_late_ms": _shares(late.get("words"), 1.0, 3),
                "replay_late_ms": _shares(late.get("replay start"), 1.0, 1),
                "replay_step_ms": _shares(late.get("replay step"), 1.0, 1),
                "release_to_verdict_s": _shares(late.get("verdict"), 1e-3, 4),
                "steps_s": {step: _shares(late.get(step), 1e-3, 4) for step in STEPS},
                "live_looks": 0, "close_looks": 0, "faults": 0} | counts


def _latest_ns(look: Look) -> int:
    return max((max(span.first_ns, span.last_ns) for span in look.spans), default=0)


def _shares(late: Lateness | None, scale: float, decimals: int) -> dict[str, float | int | None]:
    return late.shares(scale, decimals) if late else {"p50": None, "p95": None, "max": None, "n": 0}
