"""Session: what one run of the kiosk is about (source, marks, player, focus), found out and checked before anything starts,
and its numbers told at the end. The opening and closing of the parts is here; what they do is not."""
from __future__ import annotations

import hashlib
import signal
import threading
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Callable, Iterator

from creaseside import plan as plans
from creaseside.plan import FeedbackSchedule, Plan
from creaseside.settings import Faults, FocusCue
from creaseside.stamps import NS, Stamp, to_ns
from kiosk import VERSION, clips, clock, demo, details, gate, guidance, memory, models, solved, sources, troubles
from kiosk import marks as marks_room
from kiosk.board import Board
from kiosk.faults import Fault
from kiosk.health import Health
from kiosk.logbook import Logbook
from kiosk.mending import mended
from kiosk.pin import Pin
from kiosk.place import Place
from kiosk.scorer import Aside, Scorer, Written
from kiosk.seat import Bowler, Seat
from kiosk.sources import Source
from kiosk.texts import Texts
from kiosk.turns import Turns
from kiosk.upkeep import Upkeep, day_of, set_back

Bundles = tuple[Path, Path | None, Path | None]
MODELS = "light", "heavy", "second"

READY_NS = 90 * NS      # pose processes that are not ready by then are said to be missing, and the kiosk goes on


@dataclass(frozen=True, slots=True)
class Asked:
    """The command line's wishes; None where the settings decide. players: who bowls, in their order; nobody: a guest.
    opened: a source that is open already, in the place of `source`."""

    source: str | None = None
    marks: Path | None = None
    players: tuple[str, ...] = ()
    focus: str | None = None
    headless: bool = False
    until_end: bool = False
    opened: Source | None = None

    def spec(self, place: Place) -> str:
        return self.opened.name if self.opened else self.source or place.settings.camera.source or "demo"


def run(place: Place, asked: Asked) -> dict:
    """The whole session; its summary, which is also printed."""
    put_aside = mended(place)
    for one in put_aside:
        place.say(one.line)
    with ExitStack() as parts:
        stop = threading.Event()
        for name in (signal.SIGINT, signal.SIGTERM):
            parts.callback(signal.signal, name, signal.signal(name, lambda *_: stop.set()))
        loop = _opened(place, asked, parts, stop, [one.what for one in put_aside])
        with memory.settled():
            loop.run()
        summary = loop.summary()
    if place.json:
        place.out({"summary": summary})
    else:
        place.say(f"{summary['balls']} balls, {summary['frames']} frames, {summary['frames_lost']} lost")
    return summary


def _opened(place: Place, asked: Asked, parts: ExitStack, stop: threading.Event, put_aside: list[str]):
    """Everything open and checked, closed again by `parts` in the other order. put_aside: what was damaged, for the screen."""
    from creaseside.engine import Engine
    from kiosk.checkin import CheckIn
    from kiosk.cuttings import Cuttings
    from kiosk.desk import opening
    from kiosk.front import Front
    from kiosk.intake import Intake
    from kiosk.knock import Lookout
    from kiosk.loop import Loop, Parts
    from kiosk.reel import Reel
    from kiosk.voice import Voice
    log = _log(place, parts)
    spec, settings, texts = asked.spec(place), place.settings, Texts(place.settings.screen.language)
    if spec == "demo":
        demo.add_bowlers(log)
    focus = focus_of(place, asked.focus, spec)
    for player in asked.players or (None,):
        if focus:
            allowed(focus, log, player, place)
    source = asked.opened or sources.open_source(spec, settings.camera, until_end=asked.until_end)
    parts.callback(source.close)
    marks = marks_of(place, asked.marks, spec, (source.width_px, source.height_px))
    bundles = bundles_of(place)
    health = Health(source.fps)
    reel = parts.enter_context(Reel.make(settings.camera.reel_s, source.fps, None, source.width_px, source.height_px))
    watcher = _watcher(reel, bundles, parts)
    cuttings = Cuttings(reel)
    stage, inputs = _stage(place, asked, texts, cuttings, reel, parts)
    board = Board(stage, settings.feedback, lambda what: details.keep(place, what))
    board.since_start = troubles.damaged(texts, ["log"] * bool(log.notice) + put_aside)
    marks = marks and solved.sharpened(marks, source.stills(), log.setups(marks), place.home)
    _ready(watcher, board, place, stop)
    engine = Engine(solved.camera(marks, place.home) if marks else None, None, settings.feedback, settings.log, None,
                    (source.width_px, source.height_px))
    turns = Turns(list(asked.players), seats_of(place, log, focus, log.note_program(VERSION, hashes(bundles), settings),
                                                log.note_setup(marks) if marks else None),
                  engine.now, round(settings.feedback.cue_delay_s * NS))
    turns.call(turns.order[0], clock.now_ns())
    turns.ask()
    aside = Aside(lambda what: details.keep(place, what))
    parts.callback(aside.close)
    parts.callback(turns.close)
    scorer = Scorer(log, health, aside, lambda written: tell(place, written), _clip_name(spec))
    speaker = _speaker(settings, place, parts)
    front = Front(turns, board, texts, log, speaker, scorer, lambda: _typed(inputs))
    voice = Voice(place, speaker)
    for fault in voice.load():
        place.say(str(fault))
    opening.opened(front, inputs, Pin(place), voice, aside)
    lookout = Lookout(reel.jpeg, aside, source.width_px) if marks else None       # without marks it does not matter
    intake = Intake(source, reel, health)
    parts.callback(intake.close)
    front.checkin = CheckIn(reel.bgr, lambda: intake.newest, lambda: engine.snapshot().measuring,
                            log.has_cards, aside)
    return Loop(Parts(
        intake, reel, watcher, engine, speaker, scorer, board, front, cuttings, health, texts,
        lambda what: details.keep(place, what), origin_of(source), presses=_presses(inputs, stage), stop=stop,
        lookout=lookout, upkeep=_upkeep(place, log, aside, intake, board, cuttings, parts)), asked.until_end)


# What it is about

def seats_of(place: Place, log: Logbook, focus: FocusCue | None, program: int, setup: int | None
             ) -> Callable[[str | None], Seat]:
    """Makes the seat of a player: the plan and the focus from the settings, as far as they suit that player's age."""
    words = guidance.text(place)
    table, asked = guidance.table(words), place.settings.plan
    log.note_guidance(words)
    blocks = plan_of(place)

    def seat_of(player: str | None) -> Seat:
        if player and setup and log.zero(player) and not log.zero(player, setup):
            place.say(f"the standing zero of {player} was taken with another set-up or read by another version, and is left out; "
                      f"take it again: creaseside players zero {player}")
        cue = focus if focus and not (player and gate.refused(log, player, focus)) else None
        seat = Seat(log, Bowler.of(log, player), cue, table, program, setup)
        seat.set_plan(plans.usual(seat.age) if asked.blocks == "usual" else blocks,
                      FeedbackSchedule.for_age(seat.age, asked.feedback))
        return seat
    return seat_of


def plan_of(place: Place) -> Plan | None:
    """The settings' plan; None where there is none, or where it is the usual one of each player's age."""
    text = place.settings.plan.blocks
    if text in ("", "usual"):
        return None
    try:
        return plans.read(text)
    except Faults as e:
        raise Fault(f"the plan {text!r} in {place.settings_file}", str(e), "put that right and start again") from e


def focus_of(place: Place, measure: str | None, spec: str) -> FocusCue | None:
    """What is judged, with its gate; None where nobody set anything. Fault where a gate is missing."""
    given = place.settings.focus
    measure = measure or given.measure
    if not measure:
        return None
    if given.measure in ("", measure) and (given.at_least, given.at_most) != (None, None):
        return replace(given, measure=measure)
    if spec == "demo" and measure in demo.GATES:
        return FocusCue(measure, *demo.GATES[measure])
    if place.settings.plan.blocks == "usual" or "baseline" in place.settings.plan.blocks:
        return FocusCue(measure, words=given.words)      # its posts will stand round the player's own baseline
    do = f'put [focus] measure = "{measure}" with at_least or at_most into {place.settings_file}'
    if measure == given.measure:        # a settings file that lost its end starts a kiosk all the same
        place.say(f"asked a focus on {measure}; found no gate for it, so there is no focus; {do}")
        return None
    raise Fault(f"a focus on {measure}", "no gate for it", do)


def allowed(focus: FocusCue, log: Logbook, player: str | None, place: Place) -> None:
    """Fault where this focus may not be set for this player: under 18 nobody is rewarded for a straighter leg or more pace."""
    if player is None:
        if gate.refused(log, None, focus):
            place.say(f"a guest's age is not known: for anyone under 18 name the player, so that {focus.measure} is a band "
                      "of their own")
        return
    why = gate.refused(log, player, focus)
    if why:
        raise Fault(f"a focus on {focus.measure} for {player}", "a player who is or may be under 18", why)


def marks_of(place: Place, asked: Path | None, spec: str, size_px: tuple[int, int]) -> marks_room.Marks | None:
    """The marks for that source; None, and it is said, where there are none."""
    path = asked.expanduser() if asked else next((p for p in _usual_marks(place, spec) if p.exists()), None)
    if path is None:
        place.say("no marks: knees are measured in the picture's own plane, metres and lanes are not measured; "
                  "write the marks into a file (README, marks) and give --marks FILE")
        return None
    try:
        found = marks_room.read(path, size_px)
    except Fault as fault:
        if asked or not sources.is_camera(spec) or (fits := marks_room.read(path)) is None:
            raise
        place.say(f"{fault}; until then there are no marks (theirs is {fits.width_px} x {fits.height_px})")
        return None
    solved.camera(found, place.home, str(path))     # a mark that is far off is said now, not at the first ball
    return found


def _usual_marks(place: Place, spec: str) -> Iterator[Path]:
    """Where marks may be, the likeliest first. Those of this home's camera do not fit the demo or somebody's recording."""
    if spec == "demo":
        yield sources.DEMO_MARKS
    elif not sources.is_camera(spec):
        yield Path(spec).expanduser().with_suffix(".marks.toml")
        if place.settings.camera.marks:
            yield place.marks
    else:
        yield place.marks


def origin_of(source: sources.Source) -> Callable[[int], int] | None:
    """A moment on the stamps' axis -> the moment at which its recording's own time is 0; None for a camera."""
    clip_s = getattr(source, "clip_s", None)
    return clip_s and (lambda t_ns: t_ns - to_ns(clip_s(Stamp(0, t_ns))))


def tell(place: Place, written: Written) -> None:
    """A ball that is on the disk, for whoever reads along."""
    if place.json:
        place.out(written.json)
        return
    number = ""
    measure = written.whose.measure
    if measure and (value := written.json[measure]) is not None:
        number = f", {measure} {value:g}"
    place.say(f"ball {written.json['ball']}: {written.json['verdict'] or 'logged'}{number}")


def bundles_of(place: Place) -> Bundles:
    """The light, the heavy and the second pose model."""
    light, heavy, second = models.light_bundle(place), models.heavy_bundle(place), models.second_bundle(place)
    if light is None:
        raise Fault("the pose models", "no pose library in this environment", "run python3 kiosk/start.py again")
    if absent := [name for name, bundle in (("heavy", heavy), ("second", second)) if bundle is None]:
        place.say(f"the {' and the '.join(absent)} pose model {'is' if len(absent) == 1 else 'are'} not here: "
                  "knees are measured less well; run python3 kiosk/start.py with a network once")
    return light, heavy, second


def hashes(bundles: Bundles) -> dict[str, str]:
    return {name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in zip(MODELS, bundles) if path}


def _clip_name(spec: str) -> str | None:
    return sources.DEMO.name if spec == "demo" else None if sources.is_camera(spec) else Path(spec).name


# Its parts

def _log(place: Place, parts: ExitStack) -> Logbook:
    log = parts.enter_context(Logbook(place))
    if log.notice:
        place.say(log.notice)
    if behind := set_back(log):
        place.say(behind)
    swept = clips.sweep(log)
    if swept.lost:
        place.say(f"{len(swept.lost)} clips are no longer in {place.clips}; their balls say so now")
    clips.remove_expired(log, day_of(log))
    return log


def _watcher(reel, bundles: Bundles, parts: ExitStack):
    from kiosk.watcher import Watcher
    return parts.enter_context(Watcher(reel, *bundles))


def _stage(place: Place, asked: Asked, texts: Texts, cuttings, reel, parts: ExitStack):
    """The stage on its screen, and what is pressed in front of it."""
    from kiosk import buttons
    from kiosk.inputs import Inputs
    from kiosk.scenes.scene import Pictures
    from kiosk.scenes.stage import Stage
    from kiosk.screen import Screen
    screen = Screen(place.settings.screen, asked.headless)
    parts.callback(screen.close)
    if screen.why:
        place.say(f"headless: {screen.why}")
    inputs = Inputs(buttons.table(place), place.settings.radar.unit, lambda table: buttons.keep(place, table))
    return Stage(screen, texts, Pictures(cuttings.bgr, reel.stamps)), inputs


def _presses(inputs, stage):
    """What was pressed since it was last asked."""
    from kiosk.inputs import pygame
    return lambda now_ns: inputs.read(pygame.event.get(), now_ns, stage.buttons, stage.screen.size)


def _typed(inputs) -> str:
    return f"{inputs.typed} {inputs.unit}" if inputs.typed else ""


def _ready(watcher, board: Board, place: Place, stop: threading.Event) -> None:
    """Wait until the pose processes have their models, with the board on the screen meanwhile."""
    began_ns = clock.now_ns()
    board.begin(began_ns)
    while not (watcher.ready() or stop.is_set()) and watcher.alive() and clock.now_ns() - began_ns < READY_NS:
        board.tick(clock.now_ns(), False, (), ())
        watcher.wait(0.1)
        watcher.poses()
    if not (watcher.ready() or stop.is_set()):
        place.say(f"the pose processes are not ready ({watcher.why or 'no answer yet'}): balls are not measured until then")


def _upkeep(place: Place, log: Logbook, aside: Aside, intake, board: Board, cuttings, parts: ExitStack):
    """What is looked after beside the balls; called every turn."""
    from kiosk.heartbeat import Heartbeat
    from kiosk.hours import Hours
    source, screen = intake.source, board.stage.screen

    def frames() -> int:
        """They advance, or are being tried for; a recording that has ended has no more to give."""
        ended = intake.over and intake.fault is None
        return clock.now_ns() if ended else intake.frames + getattr(source, "attempts", 0)

    def closed(is_so: bool) -> None:
        intake.shut(is_so)
        board.closed = is_so
        if is_so:
            cuttings.forget()
    heart = Heartbeat(frames, lambda: screen.flips, screen.flip)
    parts.callback(heart.close)
    return Upkeep(log, aside, Hours.of(place.settings.screen), closed, heart.tick).tick


def _speaker(settings, place: Place, parts: ExitStack):
    from kiosk import alsa
    from kiosk.speaker import Speaker
    alsa.hush()
    speaker = Speaker(settings.sound.device, settings.sound.volume)
    parts.callback(speaker.close)
    if speaker.way == "screen only":
        place.say(f"no sound, the screen alone: {speaker.why}")
    return speaker
