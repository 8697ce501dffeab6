"""Hall: a whole kiosk on a clock that the test moves: the real loop, intake, camera room, reel, engine, log, clips and
(unseen) screen; puppets bowl, the driver of the camera, the pose processes and the loudspeaker are stood in for."""
from __future__ import annotations

import sys
import threading
from collections import deque
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Callable

from creaseside import settings
from creaseside.engine import Engine
from creaseside.focus import Focus
from creaseside.stamps import NS
from kiosk.board import Board
from kiosk.cuttings import Cuttings
from kiosk.faults import Fault
from kiosk.front import Front
from kiosk.health import Health
from kiosk.intake import Intake
from kiosk.logbook import Logbook
from kiosk.loop import Loop, Parts
from kiosk.outputs import Heard
from kiosk.place import Place
from kiosk.reel import Reel
from kiosk.scenes.scene import Pictures
from kiosk.scenes.stage import Stage
from kiosk.scorer import Scorer
from kiosk.seat import Bowler, Seat
from kiosk.screen import Screen
from kiosk.sources.camera import Camera
from kiosk.sources.v4l2 import Format, Shot
from kiosk.texts import Texts
from kiosk.turns import Turns
from kiosk.upkeep import Upkeep
from tests.faults import net as nets
from tests.faults.net import Eyes, Net

GATE = settings.FocusCue("front_knee_ffc_deg", 155.0, 175.0)
KEEP_S = 6.0
AGE_NS = 12_000_000         # a frame is in our hands so long after its exposure
TURN_NS = NS // 100
STUCK_S = 60                # a thread that does not come to rest: the test itself is broken


class StepClock:
    """A clock that the test moves, with threads that wait on it: `advance` returns when they have all done their part."""

    def __init__(self, ns: int = 1_000 * NS) -> None:
        self.ns, self.ahead = ns, timedelta()
        self.zone, self.over = timezone.utc, False
        self._news = threading.Condition()
        self._waiting: dict[int, int] = {}
        self.followers: set[int] = set()        # threads that must have come to rest before time goes on

    def now_ns(self) -> int:
        return self.ns

    def cpu_ns(self) -> int:
        return 0

    def slept_ns(self) -> int:
        return 0

    def utc_and_ns(self) -> tuple[datetime, int]:
        wall = datetime(2026, 1, 5, 12, tzinfo=timezone.utc) + timedelta(microseconds=(self.ns - 1_000 * NS) // 1000)
        return (wall + self.ahead).astimezone(self.zone), self.ns

    def wait_until(self, t_ns: int, stop: threading.Event | None = None) -> bool:
        me = threading.get_ident()
        with self._news:
            if me not in self.followers:            # the test's own thread: time passes at once
                self.ns = max(self.ns, t_ns)
                return not (stop and stop.is_set())
            self._waiting[me] = t_ns
            self._news.notify_all()
            while self.ns < t_ns and not self.over and not (stop and stop.is_set()):
                self._news.wait()
            del self._waiting[me]
        return not (stop and stop.is_set())

    def advance(self, by_ns: int) -> None:
        """In small steps, each as long as the next thread waits for."""
        until_ns = self.ns + by_ns
        while True:
            with self._news:
                self._rest()
                due_ns = min((self._waiting[t] for t in self.followers if t in self._waiting), default=until_ns)
                if due_ns > until_ns or due_ns <= self.ns:
                    self.ns = until_ns
                    return
                self.ns = due_ns
                self._news.notify_all()
                self._news.wait_for(lambda: all(self._waiting.get(t, 0) > self.ns for t in self.followers), STUCK_S)

    def follow(self) -> None:
        with self._news:
            self.followers.add(threading.get_ident())

    def leave(self) -> None:
        with self._news:
            self.followers.discard(threading.get_ident())
            self._news.notify_all()

    def release(self) -> None:
        """Wake whoever waits, to let them see that it is over."""
        with self._news:
            self.over = True
            self._news.notify_all()

    def _rest(self) -> None:
        self._news.wait_for(lambda: all(self._waiting.get(t, 0) > self.ns for t in self.followers), STUCK_S)


@dataclass
class Trouble:
    """What the camera does from one moment to another (clock's ns): gone, frozen, same, small, torn, slow, raise, hang."""

    kind: str
    from_ns: int
    to_ns: int


@dataclass
class Socket:
    """Where the camera is plugged in; `troubles` are to come, in order."""

    clock: StepClock
    fps: float = 60.0
    troubles: deque = field(default_factory=deque)
    last: Shot | None = None
    next_ns: int = 0

    def now(self) -> str:
        while self.troubles and self.clock.ns >= self.troubles[0].to_ns:
            self.troubles.popleft()
        return self.troubles[0].kind if self.troubles and self.clock.ns >= self.troubles[0].from_ns else ""


class Driver:
    """Stands in for the V4L2 room: one opening of the camera."""

    def __init__(self, socket: Socket) -> None:
        self._socket = socket

    def open(self) -> Format:
        if self._socket.now() == "gone":
            raise Fault("camera 0", "no such device", "plug it in")
        return Format(nets.WIDTH, nets.HEIGHT, self._socket.fps, True)

    def close(self) -> None:
        pass

    def read(self, until_ns: int) -> Shot | None | str:
        """The next frame; None: the driver gave up; "late": none by then."""
        socket, clock = self._socket, self._socket.clock
        kind = socket.now()
        if kind in ("gone", "raise"):
            if kind == "raise":
                raise RuntimeError("VIDIOC_DQBUF: No such device")
            return None
        if kind == "hang":
            clock.wait_until(min(until_ns, socket.troubles[0].to_ns))
            return "late"
        period_ns = round(NS / (socket.fps / 5 if kind == "slow" else socket.fps))
        socket.next_ns = max(socket.next_ns + period_ns, clock.ns + 1)
        if socket.next_ns > until_ns:
            clock.wait_until(until_ns)
            return "late"
        clock.wait_until(socket.next_ns)
        now_ns = clock.ns
        exposed_ns = now_ns - AGE_NS
        whole = nets.frame(exposed_ns)
        if kind == "same" and socket.last:
            return socket.last
        data = {"frozen": socket.last.data if socket.last else whole, "small": nets.small(), "torn": nets.torn(whole)}.get(kind, whole)
        socket.last = Shot(data, exposed_ns, now_ns)
        return socket.last


class Feed:
    """Reads when asked, in the intake's own thread."""

    dropped, why = 0, "no frame from the driver"

    def __init__(self, driver: Driver) -> None:
        self._driver, self.over = driver, False

    def take(self, until_ns: int) -> Shot | None:
        try:
            shot = self._driver.read(until_ns)
        except RuntimeError as e:
            shot, self.why = None, str(e)
        if shot is None:
            self.over = True
        return shot if isinstance(shot, Shot) else None

    def end(self) -> None:
        self.over = True


class Voice:
    """Plays every cue at its time, where it has a device."""

    def __init__(self, clock: StepClock) -> None:
        self._clock, self._due, self.way, self.asked = clock, [], "sounddevice", []

    def ask(self, kind: str, at_ns: int) -> None:
        self.asked.append((kind, at_ns, self._clock.ns))
        self._due.append((kind, at_ns))

    def tick(self, now_ns: int) -> None:
        pass

    def heard(self) -> list[Heard]:
        if self.way != "sounddevice":
            return []
        out = [Heard(kind, at_ns, max(at_ns, self._clock.ns), self.way) for kind, at_ns in self._due if at_ns <= self._clock.ns]
        self._due = [one for one in self._due if one[1] > self._clock.ns]
        return out


class Hall:
    """Open it with `with`. `told`: every ball as it was announced; `scenes`: what came on, and when. threaded: the intake has
    its thread, as in the kiosk; without, its frames are taken in the test's own, which is several times as fast and knows no
    trouble with the camera."""

    def __init__(self, folder: Path, every_s: float = 5.0, balls: int | None = None, consent: bool = True, fps: float = 60.0,
                 troubles: list[Trouble] = (), first_s: float = 4.0, asked: settings.Settings = settings.Settings(), threaded: bool = True) -> None:
        self._threaded = threaded
        self.clock = StepClock()
        self.net = Net(self.clock.ns + round(first_s * NS), every_s, balls, fps)
        self.place = Place(folder / "home", quiet=True)
        self.log = Logbook(self.place, self.clock)
        self.player = self._player() if consent else None
        self.socket = Socket(self.clock, fps, deque(troubles))
        self.source = Camera("0", asked.camera, self.clock, lambda device, _: Driver(self.socket), Feed)
        self.reel = Reel.make(KEEP_S, fps, 40)
        self.health, self.eyes, self.told, self.kept = Health(fps), Eyes(self.net, self.reel), [], []
        self.voice = Voice(self.clock)
        self.cuttings = Cuttings(self.reel)
        texts = Texts("en")
        screen = Screen(settings.Screen(width_px=640, height_px=360), headless=True)
        self.stage = Stage(screen, texts, Pictures(self.cuttings.bgr, self.reel.stamps))
        board = Board(self.stage, asked.feedback, self._keep)
        self.scorer = Scorer(self.log, self.health, self._aside, self.told.append, clock=self.clock)
        self.intake = Intake(self.source, self.reel, self.health, self.clock)
        engine = Engine(nets.CAMERA, Focus(GATE.measure, GATE.at_least, GATE.at_most), asked.feedback, asked.log, "right",
                        (nets.WIDTH, nets.HEIGHT))
        turns = Turns([self.player], lambda who: Seat(self.log, Bowler.of(self.log, who), GATE),
                      engine.now, round(asked.feedback.cue_delay_s * NS))
        turns.ask()
        self.session = turns.up.session
        front = Front(turns, board, texts, self.log, self.voice, self.scorer)
        upkeep = Upkeep(self.log, self._aside, clock=self.clock)
        self.loop = Loop(Parts(self.intake, self.reel, self.eyes, engine, self.voice, self.scorer, board, front, self.cuttings,
                               self.health, texts, self._keep, clock=self.clock, upkeep=upkeep.tick))
        board.begin(self.clock.ns)
        self.scenes: list[tuple[str, int]] = []
        self._thread = threading.Thread(target=self._take_in, name="intake", daemon=True)
        self._begun = threading.Event()

    def __enter__(self) -> Hall:
        if self._threaded:
            self._thread.start()
            self._begun.wait()
        return self

    def __exit__(self, *_: object) -> None:
        self.source.close()
        self.clock.release()
        if self._threaded:
            self._thread.join(STUCK_S)
        self.log.close()
        self.reel.close()

    @property
    def banner(self) -> tuple[str, ...]:
        return self.stage.view.banner

    def turn(self, by_ns: int = TURN_NS) -> None:
        if not self._threaded:
            self._take_until(self.clock.ns + by_ns)
        else:
            self.clock.advance(by_ns)
        self.loop.turn()
        if not self.scenes or self.scenes[-1][0] != self.stage.now:
            self.scenes.append((self.stage.now, self.clock.ns))

    def run(self, seconds: float, until: Callable[[], bool] = lambda: False, by_ns: int = TURN_NS) -> bool:
        """Turns until then; whether `until` became true."""
        end_ns = self.clock.ns + round(seconds * NS)
        while self.clock.ns < end_ns:
            self.turn(by_ns)
            if until():
                return True
        return False

    def rows(self) -> list[dict]:
        return self.log.ball_rows(self.session)

    def ball_of(self, row: dict) -> tuple[int, float]:
        """Which of the net's balls a row is, and how far its landing or release is from the true one, s."""
        return self.net.nearest(row["thrown_ns"] - round(nets.RELEASE_S * NS) if row["br_s"] is not None else row["thrown_ns"])

    def _take_until(self, end_ns: int) -> None:
        while max(self.socket.next_ns + round(NS / self.socket.fps), self.clock.ns + 1) <= end_ns:
            self.intake._keep(*self.source.grab())
        self.clock.ns = end_ns

    def _take_in(self) -> None:
        self.clock.follow()
        self._begun.set()
        try:
            self.intake.run()
        finally:
            self.clock.leave()

    def _keep(self, what: str) -> None:
        self.kept.append(f"{what}: {sys.exc_info()[1]!r}")

    def _aside(self, job: Callable[[], None]) -> None:
        job()

    def _player(self) -> str:
        there = self.log.players()
        if there:
            return there[0]["id"]
        player = self.log.add_player("Sam", "right", age_group="adult")
        self.log.add_consent(player, "clips", "Sam")
        return player
