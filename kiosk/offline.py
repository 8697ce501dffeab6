"""Offline: the balls of a recording, as fast as it goes: the same reel, the same pose processes and the same engine as
in front of a net, with the file's own time in the place of a clock.

The file is read once. What is looked at depends on its stamps alone, never on the speed of this machine: the reader
waits for the pose processes, and never runs so far ahead that a frame which is still wanted would be gone. Memory is
the reel's, however long the file. Nothing is logged here and nobody is told anything.
"""
from __future__ import annotations

from collections import Counter, deque
from pathlib import Path
from typing import Callable, Iterable, Iterator

import numpy as np

from creaseside.ball import as_json
from creaseside.engine import Engine
from creaseside.orders import Log, Look
from creaseside.pose import Pose
from creaseside.stamps import NS, Stamp, to_ns
from kiosk import clock, paint, session
from kiosk.faults import Fault
from kiosk.frames import BACK_NS, frames_of
from kiosk.live import ALONE_NS, EMPTY_NS
from kiosk.place import Place
from kiosk.reel import BYTES_A_PX, MIB, Reel
from kiosk.sources import jpeg
from kiosk.sources.tape import Tape
from kiosk.stir import Stir
from kiosk.watcher import Watcher

KEPT_S = 3.6         # looks reach back 1.1 s from the landing, and 0.9 more for views without the bowler, and are asked for at most 0.6 s after it
ROOM = 1.25          # quality 92 and a grainy picture need more bytes than the usual frame
TELL_FIRST_NS, TELL_EVERY_NS = 2 * NS, 5 * NS   # progress: nothing for what is done before anyone wonders
WAIT_S = 0.5         # for a pose process to say something, before it is asked whether it is still alive
SMALLEST = 1 << 20   # bytes of a reel; never the limit


class Measurer:
    """Two pose processes and a reel, kept from file to file. `balls` gives a file's balls in order of time."""

    def __init__(self, light: Path, heavy: Path | None = None, second: Path | None = None) -> None:
        self._bundles = light, heavy, second
        self._reel: Reel | None = None
        self._watcher: Watcher | None = None
        self._room = self._frames = 0
        self._frame = 0      # the reel's numbers rise from file to file

    def balls(self, tape: Tape, engine: Engine, seen: Callable[[float], object] = lambda t_s: None) -> Iterator[Log]:
        """Every ball of the recording, with times in s from its first frame. `seen`: told how far it has got, s.

        tape: not paced. Fault where the pose processes can no longer be had.
        """
        self._fit(tape)
        clip = _Clip(engine, self._watcher)
        clip.look_live(self._write(Stamp(0, -NS), _nothing(tape)), follow=False)   # nobody is followed from file to file
        due_ns = 0
        while (got := tape.grab()) is not None:
            stamp = self._write(*got)
            clip.came(stamp)
            if stamp.t_ns >= due_ns:
                if clip.worth_a_look(stamp, got[1]):
                    clip.look_live(stamp)
                due_ns = max(due_ns + clip.live_step_ns, stamp.t_ns)
            while clip.wanted_ns() < stamp.t_ns - to_ns(KEPT_S - 0.3):
                clip.wait()
            yield from clip.ripe()
            seen(stamp.t_s)
        yield from clip.rest()

    def close(self) -> None:
        for part in (self._watcher, self._reel):
            if part:
                part.close()
        self._watcher = self._reel = None

    def __enter__(self) -> Measurer:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _fit(self, tape: Tape) -> None:
        """A reel that is large enough for such pictures, and pose processes on it."""
        frames = int(np.ceil(KEPT_S * min(max(tape.fps, 60.0), 500.0)))
        room = int(frames * max(tape.width_px * tape.height_px * BYTES_A_PX * ROOM, 1) + SMALLEST)
        if self._reel is None or room > self._room or frames > self._frames:
            self.close()
            self._room, self._frames, self._frame = room, frames, 0
            self._reel = Reel.make(frames, 1.0, room / MIB)
            self._watcher = Watcher(self._reel, *self._bundles, steady=True)

    def _write(self, stamp: Stamp, picture: bytes) -> Stamp:
        stamp = Stamp(self._frame, stamp.t_ns)
        self._frame += 1
        if fault := self._reel.write(stamp, picture):
            raise fault
        return stamp


class _Clip:
    """One file on its way through the engine: which frames are still here, which balls are being looked at."""

    def __init__(self, engine: Engine, watcher: Watcher) -> None:
        self._engine, self._watcher = engine, watcher
        self._here: deque[Stamp] = deque()
        self._live: Pose | None = None
        self._live_ns = -NS                       # of the last live look
        self._stir = Stir()
        self._asked: dict[int, Look] = {}         # whose last frame has not come
        self._out: Counter[int] = Counter()       # frames that are being looked at, by ball
        self._oldest_ns: dict[int, int] = {}      # the oldest frame that a ball still wants
        self._done: list[Log] = []

    def stamps(self, first_ns: int, last_ns: int) -> list[Stamp]:
        """As a reel's, of this file alone."""
        return [s for s in self._here if first_ns <= s.t_ns <= last_ns]

    def came(self, stamp: Stamp) -> None:
        self._here.append(stamp)
        while stamp.t_ns - self._here[0].t_ns > to_ns(KEPT_S):
            self._here.popleft()
        self._look_again(stamp.t_ns)

    def worth_a_look(self, stamp: Stamp, picture: bytes) -> bool:
        """Whoever is there is; in a lane that was empty only what stirs, and anything once a second. To search a picture for
        somebody who is not there takes three times as long as to follow somebody."""
        somebody = self._live is not None and self._live.missing is None
        return somebody or self._stir.stirs(picture) or stamp.t_ns - self._live_ns >= EMPTY_NS

    def look_live(self, stamp: Stamp, follow: bool = True) -> None:
        """The light model on this frame, and wait for it. follow: the engine is told."""
        self._live, self._live_ns = None, stamp.t_ns
        while not self._watcher.live(stamp, self._engine.live_box_px):
            self.wait()
        while self._live is None:
            self.wait()
        if follow:
            self._engine.see(self._live)
            self._carry_out(self._engine.orders())
            self._look_again(stamp.t_ns)

    @property
    def live_step_ns(self) -> int:
        """From the last live look to the next."""
        return self._engine.live_step_ns if self._live.missing is None else ALONE_NS

    def wait(self) -> None:
        """Until a pose process says something; then it is told to the engine."""
        self._watcher.wait(WAIT_S)
        for ball, pose in self._watcher.poses():
            if ball is None:
                self._live = pose
                continue
            self._engine.see_closely(ball, pose)
            self._out[ball] -= 1
            self._all_back(ball)
        if not self._watcher.alive():
            raise Fault("the pose processes", self._watcher.why or "none that stays alive", "see creaseside doctor")

    def wanted_ns(self) -> float:
        """The oldest frame that must still be there for a ball that is being looked at."""
        return min((self._oldest_ns[ball] for ball in self._out), default=float("inf"))

    def ripe(self) -> Iterable[Log]:
        """The balls that are measured, but none before one that was bowled earlier and is not."""
        first_open = min(self._oldest_ns, default=float("inf"))
        ready = sorted((log for log in self._done if log.ball < first_open), key=lambda log: log.ball)
        self._done = [log for log in self._done if log.ball >= first_open]
        return ready

    def rest(self) -> Iterable[Log]:
        """The file has ended: what is still to come of it."""
        self._engine.finish()
        self._carry_out(self._engine.orders())
        self._look_again(None)
        while self._oldest_ns:
            self.wait()
        return self.ripe()

    def _carry_out(self, orders) -> None:
        for order in orders:
            if isinstance(order, Look):
                self._asked[order.ball] = order
                self._oldest_ns[order.ball] = min((min(s.first_ns, s.last_ns) for s in order.spans), default=0) - BACK_NS
            elif isinstance(order, Log):
                self._done.append(order)

    def _look_again(self, newest_ns: int | None) -> None:
        """Hand out the looks whose frames are all here. None: no more will come."""
        for ball, look in list(self._asked.items()):
            latest = max((max(s.first_ns, s.last_ns) for s in look.spans), default=0)
            if newest_ns is None or newest_ns >= latest:
                del self._asked[ball]
                frames = frames_of(look, self)
                self._out[ball] = len(frames)
                self._watcher.look(ball, frames)
                self._all_back(ball)

    def _all_back(self, ball: int) -> None:
        if not self._out[ball]:
            del self._out[ball], self._oldest_ns[ball]
            self._engine.looked(ball)
            self._carry_out(self._engine.orders())


def _nothing(tape: Tape) -> bytes:
    return jpeg.encode(np.zeros((tape.height_px, tape.width_px, 3), np.uint8))


def balls_of(place: Place, measurer: Measurer, clip: Path, marks: Path | None = None, arm: str | None = None,
             fps: float | None = None) -> Iterator[dict]:
    """The balls of one clip as others read them, as soon as each is known."""
    with Tape(clip, fps=fps, paced=False) as tape:
        size = tape.width_px, tape.height_px
        placed = session.marks_of(place, marks, str(clip), size)
        placed = placed and paint.sharpened(placed, tape.stills())
        camera = placed.solved(f"the marks of {clip.name}") if placed else None
        engine = Engine(camera, None, place.settings.feedback, place.settings.log, arm, size)
        told = Progress(place, clip.name)
        for n, log in enumerate(measurer.balls(tape, engine, told.at), 1):
            told.balls = n
            yield as_json(log.what, n, clip.name)
        told.end()
        if bad := sum(tape.counts.values()):
            place.say(f"{clip.name}: {bad} damaged frames left out")


class Progress:
    """A line on stderr every few seconds."""

    def __init__(self, place: Place, name: str) -> None:
        self._place, self._name = place, name
        self._began_ns = clock.now_ns()
        self._due_ns = self._began_ns + TELL_FIRST_NS
        self.balls, self._t_s, self._told = 0, 0.0, False

    def at(self, t_s: float) -> None:
        self._t_s = t_s
        if (now_ns := clock.now_ns()) >= self._due_ns:
            self._due_ns, self._told = now_ns + TELL_EVERY_NS, True
            self._place.say(self._line(now_ns))

    def end(self) -> None:
        if self._told:
            self._place.say(self._line(clock.now_ns()) + ", done")

    def _line(self, now_ns: int) -> str:
        took_s = (now_ns - self._began_ns) / NS
        return f"{self._name}: {self._t_s:.1f} s of it measured in {took_s:.0f} s, {self.balls} balls"
