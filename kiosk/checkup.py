"""Checkup: looks at everything the kiosk needs, one thing at a time, and says what was found and what to do.

It changes nothing but what any start of the kiosk changes (the home's folders, the models' cache), and it never fails:
what goes wrong while looking is what was found.
"""
from __future__ import annotations

import importlib.metadata
import platform
import shutil
import sqlite3
import threading
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING, Iterator

from creaseside.stamps import NS
from kiosk import clock
from kiosk.faults import Fault

if TYPE_CHECKING:
    from kiosk.place import Place
    from kiosk.sources import Source

OK, WARNING, FAULT = "ok", "warning", "fault"
WATCH_NS = 3 * NS            # how long the camera's stamps are watched
FIRST_NS = 6 * NS            # and how long its first frame is waited for
SLOW = 0.9                   # of the asked rate; below, it is said
BALL_MB = 70.0               # a clip of 3 s of 720p at 120 fps, 190 kB a frame (measured)
FEW_BALLS = 200              # an evening of two bowlers, common practice
WAL_RESET = ((3, 7, 0), (3, 51, 3))   # from, and first mended: SQLite's release notes of 3.51.3


@dataclass(frozen=True, slots=True)
class Check:
    """state: "ok", "warning" (it runs, worse) or "fault" (it cannot run). do: what to do, empty where nothing."""

    name: str
    state: str
    found: str
    do: str = ""


def checks(place: Place) -> Iterator[Check]:
    """Every check in turn; those that take long say first that they do."""
    for name, look in CHECKS.items():
        try:
            yield from look(place)
        except Fault as e:
            yield Check(name, _worst(name), e.found, e.do)
        except Exception as e:   # a broken part of the machine must not hide the others
            yield Check(name, _worst(name), f"{type(e).__name__}: {e}", "run python3 kiosk/start.py again")


def program(place: Place) -> Iterator[Check]:
    from kiosk import VERSION
    wanted = {"mediapipe": "mediapipe", "opencv-python": "cv2", "numpy": "numpy", "pygame": "pygame"}
    versions, missing = [], []
    for package, shown in wanted.items():
        try:
            versions.append(f"{shown} {importlib.metadata.version(package)}")
        except importlib.metadata.PackageNotFoundError:
            missing.append(package)
    found = ", ".join([f"creaseside {VERSION}", f"Python {platform.python_version()}", *versions])
    if missing:
        yield Check("program", FAULT, f"{found}; without {', '.join(missing)}", "run python3 kiosk/start.py again")
    else:
        yield Check("program", OK, found)


def settings(place: Place) -> Iterator[Check]:
    there = place.settings_file.exists()
    place.settings
    yield Check("settings", OK, str(place.settings_file) if there else "none written, the defaults hold")


def camera(place: Place) -> Iterator[Check]:
    """The source that was set up: there, how fast, how bright; and the marks against its size."""
    from kiosk import sources
    from kiosk.sources import v4l2
    asked = place.settings.camera
    if not asked.source:
        here = v4l2.cameras()
        found = f"none set up; devices here: {', '.join(here)}" if here else "none set up, and no video device here"
        if sources.DEMO.exists():
            yield Check("camera", WARNING, f"{found}; the kiosk runs on the demo net", "set [camera] source in settings.toml (README)")
        else:
            yield Check("camera", FAULT, f"{found}; nor the demo net {sources.DEMO}",
                        "set [camera] source in settings.toml, or install again")
        return
    if sources.is_camera(asked.source):
        place.say(f"camera {asked.source}: watching it for {WATCH_NS // NS} seconds")
    with closing(sources.open_source(asked.source, asked, paced=False)) as source:
        yield from (_live(source) if source.live else _recording(source))
        yield from _marks(place, (source.width_px, source.height_px))


def models(place: Place) -> Iterator[Check]:
    from kiosk import models
    again = "run python3 kiosk/start.py again, once with a network"
    if models.light_bundle(place) is None:
        yield Check("pose model", FAULT, "no pose library", again)
    elif models.heavy_bundle(place) is None:
        # Measured on nine rendered clips: front knee at its contact, RMSE 7.5 degrees against 2.1; legs swapped in 14
        # of 204 frames against none.
        yield Check("pose model", WARNING, "light only: the front knee is out by about 7.5 degrees instead of 2, "
                                           "and legs get swapped", again)
    elif models.second_bundle(place) is None:
        # Of 479 drawn balls: 3.0 against 2.6 degrees RMSE.
        yield Check("pose model", WARNING, "no second one: the front knee is out by about 3 degrees instead of 2.6", again)
    else:
        yield Check("pose model", OK, "light for the live picture, heavy for what is measured, a second one for the front knee")


def sound(place: Place) -> Iterator[Check]:
    from kiosk.speaker import Speaker
    asked = place.settings.sound
    with closing(Speaker(asked.device, asked.volume)) as speaker:
        if speaker.way == "screen only":
            yield Check("sound", WARNING, f"screen only: {speaker.why}",
                        "plug in a loudspeaker, or name one under [sound] device")
        else:
            yield Check("sound", OK, f"{speaker.way}{f', since {speaker.why}' if speaker.why else ''}")


def screen(place: Place) -> Iterator[Check]:
    from kiosk import flip
    asked = place.settings.screen
    place.say("screen: timing its flips, a few seconds")
    plain = flip.measured(asked.width_px, asked.height_px, None)
    if isinstance(plain, str) or plain.driver in ("dummy", "offscreen"):
        why = plain if isinstance(plain, str) else f"driver {plain.driver}"
        yield Check("screen", WARNING, f"none ({why}); the kiosk runs headless",
                    "start it from the desktop, or set DISPLAY")
        return
    switched = flip.measured(asked.width_px, asked.height_px, "0")
    found = f"driver {plain.driver}, a flip {plain.wall_ms:.1f} ms ({plain.cpu_ms:.1f} ms of processor)"
    if not isinstance(switched, str):
        found += f", with {flip.SWITCH}=0 {switched.wall_ms:.1f} ms ({switched.cpu_ms:.1f} ms)"
        found += "; software drawing, so 0 is picked" if flip.cheaper(plain, switched) else "; left as it is"
    yield Check("screen", OK, found)


def disk(place: Place) -> Iterator[Check]:
    free_mb = shutil.disk_usage(place.home).free / 1e6
    balls = int(free_mb / BALL_MB)
    found = f"{free_mb / 1000:,.1f} GB free at {place.home}, clips of about {balls:,} balls"
    state = FAULT if balls < 3 else WARNING if balls < FEW_BALLS else OK
    yield Check("disk", state, found, "" if state == OK else "free some, or set fewer [log] keep_days")


def database(place: Place) -> Iterator[Check]:
    version = f"SQLite {sqlite3.sqlite_version}"
    if WAL_RESET[0] <= sqlite3.sqlite_version_info < WAL_RESET[1]:
        version += (" (before 3.51.3 two writers at one instant may spoil a log: "
                    "this program writes by one connection only)")
    if not place.log.exists():
        yield Check("database", OK, f"{version}; no log yet")
        return
    try:
        with closing(sqlite3.connect(f"{place.log.absolute().as_uri()}?mode=ro", uri=True)) as log:
            said = log.execute("pragma quick_check(1)").fetchone()[0]
    except sqlite3.Error as e:
        said = str(e)
    if said == "ok":
        yield Check("database", OK, f"{version}; {place.log} is sound")
    else:
        from kiosk.logbook.file import suspected
        suspected(place.log).touch()
        yield Check("database", WARNING, f"{version}; {place.log}: {said}",
                    "the next start puts it aside and begins a new log; keep your last backup")


CHECKS = {"program": program, "settings": settings, "camera": camera, "pose model": models, "sound": sound,
          "screen": screen, "disk": disk, "database": database}
DISPENSABLE = {"sound", "screen"}     # without these the kiosk still watches, measures and logs


def _worst(name: str) -> str:
    return WARNING if name in DISPENSABLE else FAULT


def _live(source: Source) -> Iterator[Check]:
    """A camera's own rate from its stamps, and its picture's light."""
    from kiosk.health import Health
    health, jpegs = Health(source.fps), []
    patience = threading.Timer((FIRST_NS + WATCH_NS) / NS, source.close)   # or a frameless camera is waited for
    patience.start()
    last_ns = clock.now_ns() + FIRST_NS
    while clock.now_ns() < last_ns and (got := source.grab()):
        last_ns = last_ns if jpegs else clock.now_ns() + WATCH_NS
        health.frame(got[0])
        jpegs = [*jpegs, got[1]][-8:]
    patience.cancel()
    if not jpegs:
        yield Check("camera", FAULT, f"{source.name} sends no frame", "plug it in again, or into another socket")
        return
    seen = health.snapshot(clock.now_ns())
    size = f"{source.width_px} x {source.height_px}"
    bad = ", ".join(f"{n} {what.replace('_', ' ')}" for what, n in source.counts.items() if n)
    found = (f"{source.name}, {size}, {seen.fps or 0:.1f} of {source.fps:.0f} frames a second, {seen.lost} lost"
             f"{bad and '; ' + bad}")
    slow = (seen.fps or 0) < SLOW * source.fps
    yield Check("camera", WARNING if slow or bad else OK, found,
                "lock the shutter or bring more light (dim light halves many cameras' rate)" if slow
                else "look at its plug and cable" if bad else "")
    yield _light(jpegs)


def _recording(source: Source) -> Iterator[Check]:
    jpegs = [got[1] for _ in range(8) if (got := source.grab())]
    size = f"{source.width_px} x {source.height_px}"
    yield Check("camera", OK, f"the recording {source.name}, {size}, {source.fps:.1f} frames a second")
    yield _light(jpegs)


def _light(jpegs: list[bytes]) -> Check:
    from kiosk.sources import jpeg, light
    frames = [jpeg.decode(data) for data in jpegs]
    seen = light.look([f for f in frames if f is not None])
    found = f"{seen.light} (mean {seen.mean:.0f} of 255), {seen.focus or 'too dark or plain to judge the focus'}"
    if seen.good:
        return Check("picture", OK, found)
    return Check("picture", WARNING, found, "more even light, a clean and focused lens")


def _marks(place: Place, size_px: tuple[int, int]) -> Iterator[Check]:
    from kiosk import marks
    try:
        solved = marks.read(place.marks, size_px).solved(str(place.marks))
    except Fault as e:
        yield Check("marks", WARNING, f"{e.found}; nothing in metres or along the pitch can be measured", e.do)
        return
    off_px = solved.residual_px
    worst = max(off_px, key=off_px.get)
    yield Check("marks", OK, f"{len(off_px)} fit, the worst is {worst}, {off_px[worst]:.1f} px off")
