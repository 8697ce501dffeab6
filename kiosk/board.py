"""Board: what is on the screen and when: between balls, the verdict and the replay of each, and the banner where something is wrong.

It is handed views (kiosk/faces.py) and gives them to the stage, each at its time. A scene that fails is left and its story kept; the
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
from kiosk.scenes.view import Replay, View

REST_NS = 5 * NS        # after a fault on the screen that is there when all else fails
READ_S = 1.0            # a word is read in less (common practice, no source)
CALM = ("up", "waiting")
NOTE_NS = 6 * NS        # what a button did stays to be read this long


@dataclass(frozen=True, slots=True)
class _Next:
    """A ball to be shown, with its view as it will be."""

    at_ns: int
    scene: str
    view: View
    show: Show


class Board:
    """kept: keeps the story of the fault that is being handled. held: the coach is at the screen, and no ball takes it.
    since_start: side notes that hold until the next start."""

    def __init__(self, stage: Stage, feedback: settings.Feedback, kept: Callable[[str], object]) -> None:
        self.stage, self._feedback, self._kept = stage, feedback, kept
        self._base = View(live=True)
        self._next: list[_Next] = []
        self._then: tuple[str, View] | None = None
        self._note_left_ns = self._ticked_ns = 0    # counted only while it can be read
        self._rest_until_ns = 0
        self._told: set[tuple[str, str]] = set()
        self.closed = False         # the hall is: nothing is shown
        self.held = False
        self.since_start: tuple[str, ...] = ()
        stage.home = self.home

    @property
    def home(self) -> str:
        """The scene between balls: who is up where there is somebody or something to say, else the net."""
        view = self._base
        return "up" if any((view.player, view.cue, view.block, view.note, view.typed)) else "waiting"

    @property
    def calm(self) -> bool:
        """One of the screens between balls is on, and no ball waits to be shown."""
        return self.stage.now in CALM and not self._next

    def face(self, view: View) -> None:
        """What is said between balls, from now on."""
        kept = {name: getattr(self._base, name) for name in ("banner", "messages", "note", "typed")}
        self._base = dataclasses.replace(view, **kept)
        self.stage.home = self.home

    def note(self, text: str) -> None:
        """One line on what a button did."""
        self._base = dataclasses.replace(self._base, note=text)
        self._note_left_ns = NOTE_NS

    def typing(self, text: str) -> None:
        """Digits that are being typed between balls."""
        if text != self._base.typed:
            self._base = dataclasses.replace(self._base, typed=text)

    def wake(self, now_ns: int) -> None:
        """Somebody pressed something: the screen between balls, if it is not on already."""
        self.stage.home = self.home
        if self.stage.now in CALM and self.stage.now != self.home:
            self.go(self.home, now_ns)

    def then(self, scene: str, view: View) -> None:
        """A scene to be shown as soon as nothing else is: the next block, a limit."""
        self._then = scene, view

    def begin(self, now_ns: int) -> None:
        self._ticked_ns = now_ns
        self._guarded(lambda: self.stage.show(self.home, self._base, now_ns), now_ns)

    def replay(self, order: Show, cutting: Cutting) -> Replay:
        """The ball's pictures as they are to be shown, from when on."""
        release = next((order.what[name].value for name in ("br_s", "ffc_s") if order.what[name]), None)
        from_ns = max(order.at_ns, order.last_ns)
        if release is not None:
            from_ns = max(from_ns, to_ns(release) + round(self._feedback.replay_delay_s * NS))
        plan = ReplayPlan.of(order, self._feedback.slow, self._feedback.stop_s)
        return Replay(plan, cutting.stamps, order.line_px, from_ns)

    def show(self, order: Show, view: View) -> None:
        """A ball to be shown at its time: its verdict, then its replay; without words its replay alone."""
        if view.word:
            self._next.append(_Next(order.at_ns, "verdict", view, order))
        elif view.replay:
            self._next.append(_Next(view.replay.from_ns, "replay", view, order))

    def go(self, scene: str, now_ns: int, view: View | None = None) -> None:
        """That scene, now. Another page of the one that is on is no new scene."""
        if scene == self.stage.now == "ask":
            self._guarded(lambda: self.stage.update(view or self._base), now_ns)
        else:
            self._guarded(lambda: self.stage.show(scene, view or self._base, now_ns), now_ns)

    def tick(self, now_ns: int, still: bool, banner: tuple[str, ...], messages: tuple[str, ...]) -> Show | None:
        """Draw what is due. The order whose words came on in this turn, if any.

        still: the screen between balls stays as it is; a ball that is due is shown, and shown to its end.
        """
        if self.closed:
            return self._black(now_ns)
        messages = *self.since_start, *messages
        if self.stage.now == "closed":
            self.go(self.home, now_ns)
        self._clear(now_ns)
        due = self._next and now_ns >= self._next[0].at_ns and not self.held
        if now_ns < self._rest_until_ns or (still and not due and self.stage.now in CALM):
            return None
        begun = None
        if self._then and not self._next and not self.held and self.stage.now in CALM:
            (scene, view), self._then = self._then, None
            self.go(scene, now_ns, dataclasses.replace(view, banner=banner))
        if due:
            shown = self._readable(self._next.pop(0), now_ns)
            if self._guarded(lambda: self.stage.show(shown.scene, shown.view, now_ns), now_ns):
                begun = shown.show
        self._base = dataclasses.replace(self._base, banner=banner, messages=messages)
        self._guarded(lambda: self._draw(now_ns, banner, messages), now_ns)
        return begun

    def _clear(self, now_ns: int) -> None:
        """A note has been read; and while the coach is at the screen no ball waits for its turn."""
        if self.stage.now in CALM:
            self._note_left_ns -= now_ns - self._ticked_ns
        self._ticked_ns = now_ns
        if self._base.note and self._note_left_ns <= 0:
            self._base = dataclasses.replace(self._base, note="")
            self.wake(now_ns)
        if self.held:
            self._next = [ball for ball in self._next if now_ns < ball.at_ns]

    def _black(self, now_ns: int) -> None:
        """The hall is closed: what was to be shown is forgotten."""
        self._next.clear()
        self._then = None
        if self.stage.now != "closed":
            self._guarded(lambda: self.stage.show("closed", View(), now_ns), now_ns)
        self._guarded(lambda: self.stage.tick(now_ns), now_ns)

    def _readable(self, ball: _Next, now_ns: int) -> _Next:
        """A verdict that comes late still stands as long as one in time before the replay takes its place."""
        wait_ns = round(max(self._feedback.replay_delay_s - self._feedback.cue_delay_s, READ_S) * NS)
        if ball.view.replay is None or ball.scene != "verdict":
            return ball
        replay = dataclasses.replace(ball.view.replay, from_ns=max(ball.view.replay.from_ns, now_ns + wait_ns))
        return dataclasses.replace(ball, view=dataclasses.replace(ball.view, replay=replay))

    def _draw(self, now_ns: int, banner: tuple[str, ...], messages: tuple[str, ...]) -> None:
        view = self.stage.view
        home = self.stage.now == self.home
        fresh = self._base if home else dataclasses.replace(view, banner=banner, messages=messages)
        if fresh != view:
            self.stage.update(fresh)
        self.stage.tick(now_ns)

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
