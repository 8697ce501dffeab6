"""Board: what is on the screen: who is up, the verdict and the replay of each ball, and the banner where something is wrong.

It puts what the engine said into views and hands them to the stage. A scene that fails is left and its story kept; the
loop never hears of it. Nothing moves while somebody runs in: whoever calls says when that is.
"""
from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Callable

from creaseside import settings
from creaseside.orders import Show
from creaseside.stamps import NS, to_ns
from kiosk.cuttings import Cutting
from kiosk.scenes.replay_plan import ReplayPlan
from kiosk.scenes.stage import Stage
from kiosk.scenes.view import Gate, Replay, View
from kiosk.texts import Texts

REST_NS = 5 * NS        # after a fault on the screen that is there when all else fails
READ_S = 1.0            # a word is read in less (common practice, no source)
CALM = ("up", "waiting")
OVER = 6                # balls whose marks stay on the screen


@dataclass(frozen=True, slots=True)
class Bowler:
    """Who bowls, as far as the screen is concerned. id None: a guest, who counts as under 18. age: of words."""

    id: str | None = None
    name: str = ""
    arm: str | None = None
    under_18: bool = True
    age: str = "teen"


@dataclass(frozen=True, slots=True)
class _Next:
    """A ball to be shown, with its view as it will be."""

    at_ns: int
    scene: str
    view: View
    show: Show


class Board:
    """kept: keeps the story of the fault that is being handled. focus None: no words, the replay alone."""

    def __init__(self, stage: Stage, texts: Texts, bowler: Bowler, focus: settings.FocusCue | None,
                 feedback: settings.Feedback, kept: Callable[[str], object]) -> None:
        self.stage, self._texts, self._bowler, self._focus = stage, texts, bowler, focus
        self._feedback, self._kept = feedback, kept
        self._base = View(player=bowler.name, arm=bowler.arm, block_ball=1, under_18=bowler.under_18, live=True,
                          cue=(focus.words or texts.cue(focus.measure, bowler.age)) if focus else "")
        self._next: list[_Next] = []
        self._last: _Next | None = None
        self._rest_until_ns = 0
        self._told: set[tuple[str, str]] = set()
        self.closed = False         # the hall is: nothing is shown
        stage.home = self.home

    @property
    def home(self) -> str:
        """The scene between balls: who is up where there is somebody or something to say, else the net."""
        return "up" if self._base.player or self._base.cue else "waiting"

    def begin(self, now_ns: int) -> None:
        self._guarded(lambda: self.stage.show(self.home, self._base, now_ns), now_ns)

    def show(self, order: Show, cutting: Cutting) -> None:
        """A ball to be shown at its time: its verdict, then its replay; without a focus its replay alone."""
        self._guarded(lambda: self._queue(order, cutting), order.at_ns)

    def again(self, now_ns: int) -> None:
        """The last ball's replay once more."""
        if self._last and self._last.view.replay:
            self._guarded(lambda: self.stage.show("replay", self._last.view, now_ns), now_ns)

    def go(self, scene: str, now_ns: int) -> None:
        self._guarded(lambda: self.stage.show(scene, self._base, now_ns), now_ns)

    def tick(self, now_ns: int, still: bool, banner: tuple[str, ...], messages: tuple[str, ...]) -> Show | None:
        """Draw what is due. The order whose words came on in this turn, if any.

        still: the screen between balls stays as it is; a ball that is due is shown, and shown to its end.
        """
        if self.closed:
            return self._black(now_ns)
        if self.stage.now == "closed":
            self.go(self.home, now_ns)
        due = self._next and now_ns >= self._next[0].at_ns
        if now_ns < self._rest_until_ns or (still and not due and self.stage.now in CALM):
            return None
        begun = None
        if due:
            self._last = self._readable(self._next.pop(0), now_ns)
            if self._guarded(lambda: self.stage.show(self._last.scene, self._last.view, now_ns), now_ns):
                begun = self._last.show
        self._base = dataclasses.replace(self._base, banner=banner, messages=messages)
        self._guarded(lambda: self._draw(now_ns, banner, messages), now_ns)
        return begun

    def _black(self, now_ns: int) -> None:
        """The hall is closed: what was to be shown is forgotten."""
        self._next.clear()
        self._last = None
        if self.stage.now != "closed":
            self._guarded(lambda: self.stage.show("closed", View(), now_ns), now_ns)
        self._guarded(lambda: self.stage.tick(now_ns), now_ns)

    def _readable(self, ball: _Next, now_ns: int) -> _Next:
        """A verdict that comes late still stands as long as one in time before the replay takes its place."""
        wait_ns = round(max(self._feedback.replay_delay_s - self._feedback.cue_delay_s, READ_S) * NS)
        replay = dataclasses.replace(ball.view.replay, from_ns=max(ball.view.replay.from_ns, now_ns + wait_ns))
        return dataclasses.replace(ball, view=dataclasses.replace(ball.view, replay=replay))

    def _draw(self, now_ns: int, banner: tuple[str, ...], messages: tuple[str, ...]) -> None:
        view = self.stage.view
        home = self.stage.now == self.home
        fresh = self._base if home else dataclasses.replace(view, banner=banner, messages=messages)
        if fresh != view:
            self.stage.update(fresh)
        self.stage.tick(now_ns)

    def _queue(self, order: Show, cutting: Cutting) -> None:
        what = order.what
        release = next((what[name].value for name in ("br_s", "ffc_s") if what[name]), None)
        from_ns = max(order.at_ns, order.last_ns)
        if release is not None:
            from_ns = max(from_ns, to_ns(release) + round(self._feedback.replay_delay_s * NS))
        plan = ReplayPlan.of(order, self._feedback.slow, self._feedback.stop_s)
        replay = Replay(plan, cutting.stamps, order.line_px, from_ns)
        shown = self._judged(dataclasses.replace(self._base, ball=self._base.block_ball, replay=replay), order)
        self._base = dataclasses.replace(self._base, last=shown.last, block_ball=self._base.block_ball + 1)
        self._next.append(_Next(order.at_ns, "verdict", shown, order) if self._focus
                          else _Next(from_ns, "replay", shown, order))

    def _judged(self, view: View, order: Show) -> View:
        """The view with the verdict in words and as a picture."""
        focus, age, texts = self._focus, self._bowler.age, self._texts
        if focus is None:
            return dataclasses.replace(view, last=(*view.last, "counted")[-OVER:])
        found = order.what[focus.measure]
        value, sd = (found.value, found.sd) if found else (None, None)
        verdict = order.what.verdict if found else None
        gate = Gate.of(focus.at_least, focus.at_most, value, sd, texts.left_is_high(focus.measure))
        mark = verdict or "not seen"
        return dataclasses.replace(
            view, verdict=mark, last=(*view.last, mark)[-OVER:], gate=gate, ends=texts.ends(focus.measure, age),
            word=texts.verdict(focus.measure, verdict, value, focus.at_least, focus.at_most, age),
            value=texts.number(focus.measure, value, sd, age))

    def _guarded(self, draw: Callable[[], object], now_ns: int) -> bool:
        """Whether it went well. Where it did not the scene is left, and where home fails too the screen has a rest."""
        scene = self.stage.now
        try:
            draw()
            return True
        except Exception as e:      # whatever a scene stumbles over, nobody is to see it, and the balls go on
            if (where := (scene, type(e).__name__)) not in self._told:
                self._told.add(where)
                self._kept(f"the screen, scene {scene}")
        try:
            self.stage.show("waiting", View(banner=self._base.banner, live=scene != "waiting"), now_ns)
        except Exception:
            self._kept("the screen, leaving a scene")
        if scene == "waiting":
            self._rest_until_ns = now_ns + REST_NS
        return False
