"""Hall: the kiosk's real loop, front, desk, screen and log, with recorded balls of the demo net instead of eyes, and a
clock and buttons in the test's hand.

What a ball measured was read off the demo net once by the program itself (recorded.json); whether it was inside is judged
here, by the focus that the engine was told last.
"""
from __future__ import annotations

import dataclasses
import json
from collections import deque
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pygame

from creaseside.ball import Ball, Value
from creaseside.focus import Focus, judge
from creaseside.orders import Cue, Log, Order, Show
from creaseside.settings import Feedback, FocusCue
from creaseside.settings import Screen as Asked
from creaseside.stamps import NS, Stamp, to_ns
from kiosk import session
from kiosk.board import Board
from kiosk.checkin import CheckIn
from kiosk.cuttings import Cutting
from kiosk.desk import opening
from kiosk.front import Front
from kiosk.health import Health
from kiosk.inputs import Inputs
from kiosk.logbook import Logbook
from kiosk.loop import Loop, Parts
from kiosk.outputs import Heard
from kiosk.pin import Pin
from kiosk.place import Place
from kiosk.scenes.scene import Pictures
from kiosk.scenes.stage import Stage
from kiosk.scorer import Scorer
from kiosk.screen import Screen
from kiosk.sources import DEMO
from kiosk.texts import Texts
from kiosk.turns import Turns
from kiosk.voice import Voice
from tests.kiosk.bowled import some_frames
from tests.kiosk.handclock import HandClock

RECORDED = json.loads((Path(__file__).parent / "recorded.json").read_text("utf-8"))
FPS = 60
KNOWN_S = 0.9          # a verdict is ready so long after its release
TINY = some_frames(1)[0][1]      # the clips' own pictures are tested elsewhere
LEG = "None"           # the line's name where no focus is on the ground


class Engine:
    """What was recorded, as orders; it remembers what it was told is asked."""

    wake_at_ns = live_box_px = None
    live_step_ns = NS // 40
    deciding = False

    def __init__(self) -> None:
        self.focus: Focus | None = None
        self.arm: str | None = None
        self.said: list[Order] = []
        self.balls = 0
        self.somebody = self.measuring = False

    def now(self, focus: Focus | None, arm: str | None) -> None:
        self.focus, self.arm = focus, arm

    def waits_for(self, ball: int) -> bool:
        return False

    def bowl(self, recorded: dict, release_ns: int, **other: float) -> int:
        """A ball is found: its orders; `other`: values in the place of the recorded ones."""
        self.balls += 1
        ball = _ball(recorded, release_ns, other)
        measure = self.focus.measure if self.focus else None
        verdict = judge(self.focus, ball[measure]) if measure else None
        ball = dataclasses.replace(ball, verdict=verdict)
        at, landing = release_ns + 3 * NS // 2, to_ns(ball["ffc_s"].value)
        first, last = landing - 2 * NS, landing + NS
        line = recorded["lines"][measure if measure in recorded["lines"] else LEG]
        self.said += [Log(self.balls, first, last, ball)]
        self.said += [Cue(self.balls, verdict, at)] if verdict else []
        self.said += [Show(self.balls, at, first, last, landing - NS // 5, release_ns + NS // 10, landing,
                           tuple(map(tuple, line)), ball)]
        return self.balls

    def orders(self) -> list[Order]:
        out, self.said = self.said, []
        return out

    def snapshot(self) -> SimpleNamespace:
        return SimpleNamespace(somebody=self.somebody, measuring=self.measuring)

    def moved(self, is_moved: bool) -> None:
        pass

    def finish(self) -> None:
        pass


def _ball(recorded: dict, release_ns: int, other: dict) -> Ball:
    """The recorded ball with its release at that moment."""
    values = {name: Value(*v) if isinstance(v, list) else Value.missing(v) for name, v in recorded["values"].items()}
    shift = release_ns / NS - values["br_s"].value
    values |= {n: Value(values[n].value + shift, values[n].sd) for n in ("bfc_s", "ffc_s", "br_s") if values[n]}
    values |= {n: Value(v, values[n].sd or 1.0) for n, v in other.items()}
    return Ball(recorded["arm"], values, recorded["action"], recorded["quality"], tuple(recorded["flags"]))


class Blank:
    """No pictures of anything, for where only words matter; a card may be held up all the same."""

    card: np.ndarray | None = None
    grey = np.full((72, 128, 3), 60, np.uint8)

    def bgr(self, frame: int) -> np.ndarray:
        return self.grey

    def newest(self, frame: int) -> np.ndarray:
        return self.grey if self.card is None else self.card


class Film:
    """Pictures of the demo net: a frame's number is its number in the clip."""

    def __init__(self) -> None:
        import cv2
        self._clip = cv2.VideoCapture(str(DEMO))
        self._kept: dict[int, np.ndarray] = {}
        self.card: np.ndarray | None = None          # what is held to the camera

    def bgr(self, frame: int) -> np.ndarray | None:
        import cv2
        if frame not in self._kept:
            self._clip.set(cv2.CAP_PROP_POS_FRAMES, frame)
            ok, bgr = self._clip.read()
            self._kept = dict(list(self._kept.items())[-40:])
            self._kept[frame] = bgr if ok else None
        return self._kept[frame]

    def newest(self, frame: int) -> np.ndarray | None:
        return self.card if self.card is not None else self.bgr(1300)


class Cuttings:
    """The recorded ball's frames at the times of the ball that stands for it."""

    def __init__(self, film: Film) -> None:
        self.bgr = film.bgr
        self.landing: dict[int, tuple[int, float]] = {}          # ball: its landing now, and in the clip

    def want(self, ball: int, first_ns: int, last_ns: int) -> Cutting:
        now_ns, clip_s = self.landing[ball]
        frames = range(max(0, round((clip_s - 2.0) * FPS)), round((clip_s + 1.0) * FPS))
        stamps = [Stamp(f, now_ns + to_ns(f / FPS - clip_s)) for f in frames]
        return Cutting(first_ns, last_ns, stamps, dict.fromkeys(frames, TINY), whole=True)

    def tick(self, newest_ns: int, over: bool, wanted=()) -> None:
        pass

    def forget(self) -> None:
        pass


class Loudspeaker:
    """Plays every cue at its time."""

    way = "sounddevice"

    def __init__(self, clock: HandClock) -> None:
        self._clock, self.asked, self._due = clock, [], []
        self.loaded: dict[str, Path] = {}

    def load(self, kind: str, path: Path) -> None:
        self.loaded[kind] = path

    def unload(self, kind: str) -> None:
        self.loaded.pop(kind, None)

    def ask(self, kind: str, at_ns: int) -> None:
        self.asked.append(kind)
        self._due.append((kind, at_ns))

    def tick(self, now_ns: int) -> None:
        pass

    def heard(self) -> list[Heard]:
        out = [Heard(kind, at, max(at, self._clock.ns) + 1_000_000, self.way) for kind, at in self._due
               if at <= self._clock.ns]
        self._due = [one for one in self._due if one[1] > self._clock.ns]
        return out


class Hall:
    """settings: the home's settings.toml. players: on the list from the beginning."""

    def __init__(self, folder: Path, settings: str = "", players: tuple[str, ...] = (), focus: FocusCue | None = None,
                 language: str = "en", size: tuple[int, int] = (1280, 720), film: Film | Blank | None = None) -> None:
        self.clock = HandClock()
        self.place = Place(folder / "home", quiet=True)
        (self.place.home / "settings.toml").write_text(settings, "utf-8")
        self.log = Logbook(self.place, self.clock)
        self.texts = Texts(language)
        self.film, self.engine, self.voice, self.kept = film or Film(), Engine(), Loudspeaker(self.clock), []
        self.lookout = SimpleNamespace(tick=lambda newest, now_ns: None, moved=False)
        self.stage = Stage(Screen(Asked(width_px=size[0], height_px=size[1], blur_waiting=False), headless=True), self.texts,
                           Pictures(self.film.bgr, lambda a, b: [Stamp(1000 + b // (NS // 15) % 200, b)]))
        self.board = Board(self.stage, Feedback(), self.kept.append)
        self.scorer = Scorer(self.log, Health(FPS), lambda job: job(), clock=self.clock)
        program = self.log.note_program("0", {}, self.place.settings)
        self.turns = Turns(list(players), session.seats_of(self.place, self.log, focus, program, None), self.engine.now,
                           3 * NS // 2)
        self.inputs = Inputs()
        self.front = Front(self.turns, self.board, self.texts, self.log, self.voice, self.scorer,
                           lambda: session._typed(self.inputs))
        self.turns.ask()
        self.pin = Pin(self.place, self.clock)
        self.coach = Voice(self.place, self.voice, lambda seconds: self.said)
        self.said = np.zeros(1000, np.int16)
        self.desk = opening.opened(self.front, self.inputs, self.pin, self.coach, lambda job: job(), self.clock)
        self.front.checkin = CheckIn(self.film.newest, lambda: Stamp(1, self.clock.ns), lambda: False,
                                     self.log.has_cards, lambda job: job())
        self._presses: deque = deque()
        self.cuttings = Cuttings(self.film)
        self.loop = self._loop()
        self.board.begin(self.clock.ns)

    def _loop(self) -> Loop:
        intake = SimpleNamespace(over=False, newest=None, trouble=None, behind=None, source=None, fault=None)
        watcher = SimpleNamespace(live=lambda *a: False, poses=lambda: [], alive=lambda: True, restarts=0)
        reel = SimpleNamespace(stamps=lambda a, b: ())
        return Loop(Parts(intake, reel, watcher, self.engine, self.voice, self.scorer, self.board, self.front, self.cuttings,
                          Health(FPS), self.texts, self.kept.append, lookout=self.lookout, presses=self._pressed,
                          clock=self.clock))

    def _pressed(self, now_ns: int) -> list:
        out = list(self._presses)
        self._presses.clear()
        return out

    # Time

    def wait(self, seconds: float, step_s: float = 0.25) -> None:
        for _ in range(max(1, round(seconds / step_s))):
            self.clock.pass_s(step_s)
            self.loop.turn()

    def until(self, scene: str, most_s: float = 60.0) -> None:
        for _ in range(round(most_s / 0.1)):
            if self.stage.now == scene:
                return
            self.wait(0.1, 0.1)
        raise AssertionError(f"asked the scene {scene}; found {self.stage.now}")

    # Balls

    def ball(self, number: int, **other: float) -> int:
        """The demo net's ball `number`, from 1, is bowled now."""
        recorded = RECORDED[(number - 1) % len(RECORDED)]
        self.clock.pass_s(5.0)
        ball = self.engine.balls + 1
        release_ns = self.clock.ns - to_ns(KNOWN_S)
        clip_s = recorded["values"]["ffc_s"][0]
        self.cuttings.landing[ball] = release_ns - to_ns(recorded["values"]["br_s"][0] - clip_s), clip_s
        self.engine.bowl(recorded, release_ns, **other)
        self.wait(0.05, 0.05)
        return ball

    def over(self, number: int, **other: float) -> int:
        """The same, and all that follows from it."""
        ball = self.ball(number, **other)
        self.wait(22.0, 1.0)
        return ball

    # Hands

    def key(self, *names: str) -> None:
        """Keys, one after the other, each with its own turn of the loop."""
        for name in names:
            self._event(pygame.event.Event(pygame.KEYDOWN, key=pygame.key.key_code(name)))

    def write(self, text: str) -> None:
        self._event(pygame.event.Event(pygame.TEXTINPUT, text=text))

    def touch(self, words: str) -> None:
        """The button with these words, with a finger."""
        found = [b for b, c in zip(self.stage.buttons, self.stage.view.choices) if c.words == words]
        if not found:
            raise AssertionError(f"asked a button {words!r}; found {[c.words for c in self.stage.view.choices]}")
        x, y = found[0].box.center
        size = self.stage.screen.size
        self._event(pygame.event.Event(pygame.FINGERDOWN, x=x / size[0], y=y / size[1]))

    def say(self, key: str, **fields: object) -> str:
        return self.texts.say(key, **fields)

    def press(self, *keys: str) -> None:
        """Buttons by the keys of their words."""
        for key in keys:
            self.touch(self.say(key))

    def _event(self, event: pygame.event.Event) -> None:
        self.clock.pass_s(0.2)
        self._presses += self.inputs.read([event], self.clock.ns, self.stage.buttons, self.stage.screen.size)
        self.loop.turn()
        self.loop.turn()

    def close(self) -> None:
        self.turns.close()
        self.log.close()
