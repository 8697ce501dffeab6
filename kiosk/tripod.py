"""Tripod: a run of `creaseside setup`: the source open, its picture watched, the window (or none), the marks file.

What is asked and answered is `setting_up`'s; the geometry is the engine's. Without a window the same is told as one object.
"""
from __future__ import annotations

import dataclasses
import threading
from collections import deque
from contextlib import ExitStack
from pathlib import Path

import numpy as np

from creaseside import forecast as foreseen
from creaseside.stamps import NS, Stamp
from kiosk import clock, placing, sources
from kiosk import marks as files
from kiosk import picture as pictures
from kiosk.faults import Fault
from kiosk.hands import Hands, pygame
from kiosk.health import Health
from kiosk.marks import Marks
from kiosk.place import Place
from kiosk.scenes.scene import Pictures
from kiosk.scenes.setup import Setup
from kiosk.screen import Screen
from kiosk.setting_up import SettingUp
from kiosk.sources import jpeg
from kiosk.texts import Texts

WATCH_NS = 3 * NS            # a rate is known by then
FIRST_NS = 6 * NS            # how long the first frame is waited for: cameras take one to three seconds
CLOSING_S = 5.0              # a camera that hangs in its driver is left to the system
FRAMES = 12                  # that the picture is judged from
JUDGE_NS = NS                # how often
TURN_NS = NS // 40
DRAW_NS = NS // 12           # how often the live picture is drawn anew


def file_of(place: Place, spec: str, asked: Path | None) -> Path:
    """Where the marks of that source are kept: for a camera where the kiosk looks for them, for a clip beside it."""
    if asked is not None:
        return asked.expanduser()
    if spec == "demo":
        return place.home / "demo.marks.toml"
    return place.marks if sources.is_camera(spec) else Path(spec).expanduser().with_suffix(".marks.toml")


class Live:
    """A source that is read by a thread of its own: `newest` frame, and what its picture comes to."""

    def __init__(self, source: sources.Source) -> None:
        self.source = source
        self._kept: deque[tuple[Stamp, bytes]] = deque(maxlen=FRAMES)
        self.fault: Fault | None = None
        self.over = threading.Event()
        self._heard = Health(source.fps)
        self._thread = threading.Thread(target=self._run, name="setup", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            while (got := self.source.grab()) is not None:
                self._heard.frame(got[0])
                self._kept.append(got)
        except Fault as fault:
            self.fault = fault
        finally:
            self.over.set()

    def close(self) -> None:
        self.source.close()
        self._thread.join(CLOSING_S)

    @property
    def enough(self) -> bool:
        """Whether there are as many frames as the picture is judged from."""
        return len(self._kept) == FRAMES

    @property
    def frame(self) -> int | None:
        kept = list(self._kept)
        return kept[-1][0].frame if kept else None

    def bgr(self, frame: int) -> np.ndarray | None:
        """That frame, or, where it is gone, the newest."""
        kept = list(self._kept)
        data = next((data for stamp, data in kept if stamp.frame == frame), kept[-1][1] if kept else None)
        return jpeg.decode(data) if data is not None else None

    def shot(self) -> tuple[Stamp, np.ndarray] | None:
        """The newest frame with its stamp."""
        kept = list(self._kept)
        bgr = jpeg.decode(kept[-1][1]) if kept else None
        return (kept[-1][0], bgr) if bgr is not None else None

    def still(self) -> np.ndarray | None:
        """The newest frame's pixels."""
        shot = self.shot()
        return shot and shot[1]

    def judged(self, now_ns: int) -> pictures.Judged:
        frames = [bgr for _, data in list(self._kept) if (bgr := jpeg.decode(data)) is not None]
        fps = self._heard.snapshot(now_ns).fps if self.source.live else self.source.fps
        return pictures.judge(frames, fps, self.source.fps)


def marks_at(path: Path, spec: str, size_px: tuple[int, int]) -> tuple[Marks | None, str | None]:
    """The marks that are there, or None and why not. The demo has its own where nobody placed others."""
    if not path.exists():
        path = sources.DEMO_MARKS if spec == "demo" else path
    if not path.exists():
        return None, f"no marks in {path}"
    try:
        return files.read(path, size_px), None
    except Fault as e:
        return None, f"{path}: {e.found}"


# Without a window

def report(place: Place, spec: str, asked: Path | None) -> dict:
    """The picture judged, the fit and the forecast of the marks that are there; `missing`: in one line, or None."""
    with ExitStack() as parts:
        live = _opened(place, spec, parts)
        source = live.source
        _watch(live)
        judged = live.judged(clock.now_ns())
        path = file_of(place, spec, asked)
        marks, missing = marks_at(path, spec, (source.width_px, source.height_px))
        on = placing.Placing((source.width_px, source.height_px), judged.fps or source.fps, marks, live.still) if marks else None
    if on is not None and on.fit.camera is None:
        missing = on.fit.why
    if judged.seen is None:
        missing = f"no picture from {source.name}" + (f"; {missing}" if missing else "")
    return {"source": source.name, "picture": _picture(judged, source), "marks": str(path),
            "fit": _fit(on) if on and on.fit.camera else None, "forecast": _forecast(on) if on and on.fit.camera else None,
            "advice": [a.what for a in on.advice()] if on else [], "missing": missing}


def _opened(place: Place, spec: str, parts: ExitStack) -> Live:
    live = Live(sources.open_source(spec, place.settings.camera))
    parts.callback(live.close)
    return live


def _watch(live: Live) -> None:
    """Until the rate of a camera is known; of a recording until there are frames enough."""
    last_ns = clock.now_ns() + FIRST_NS
    seen = False
    while clock.now_ns() < last_ns and not live.over.is_set():
        if not seen and live.frame is not None:
            seen, last_ns = True, clock.now_ns() + WATCH_NS
        if seen and not live.source.live and live.enough:
            break
        clock.wait_until(clock.now_ns() + TURN_NS, live.over)
    if live.fault is not None:
        raise live.fault


def _picture(judged: pictures.Judged, source: sources.Source) -> dict:
    seen = judged.seen
    return {"width_px": source.width_px, "height_px": source.height_px, "fps": judged.fps and round(judged.fps, 2),
            "asked_fps": source.fps, "light": seen.light if seen else None, "mean": round(seen.mean, 1) if seen else None,
            "focus": seen.focus if seen else None, "shutter": None,
            "findings": {f.what: f.word for f in judged.findings}, "good": all(f.good for f in judged.findings)}


def _fit(on: placing.Placing) -> dict:
    camera = on.fit.camera
    return {"focal_px": round(camera.focal_px, 1), "place_m": [round(float(v), 3) for v in camera.C],
            "off_side_on_deg": round(camera.off_side_on_deg(), 2),
            "residual_px": {n: round(r, 2) for n, r in camera.residual_px.items()}, "creases": on.fit.creases}


def _forecast(on: placing.Placing) -> dict:
    told = on.forecast()
    return {**{name: told.sd(name) and round(told.sd(name), 4) for name in foreseen.FORECAST},
            "not_measured": {name: v.reason for name, v in told.values.items() if not v},
            "figure_px": round(told.figure_px), "across_m_per_px": round(told.across_m, 4)}


# With a window

def run(place: Place, spec: str, asked: Path | None, screen: Screen) -> Path | None:
    """Set up on the screen; the file that was kept, or None where nothing was."""
    with ExitStack() as parts:
        live = _opened(place, spec, parts)
        size = live.source.width_px, live.source.height_px
        shelf = Shelf(file_of(place, spec, asked))
        marks, why = marks_at(shelf.path, spec, size)
        if why and shelf.path.exists():
            place.say(f"{why}; place them anew")
        texts = Texts(place.settings.screen.language)
        on = SettingUp(placing.Placing(size, live.source.fps, marks, live.still), texts, shelf.keep, shelf.put_back)
        _turns(live, on, Setup(screen, texts, Pictures(live.bgr)))
    return shelf.path if shelf.kept else None


def _turns(live: Live, on: SettingUp, scene: Setup) -> None:
    """Hands, wishes, picture, until it is over."""
    hands, screen = Hands(), scene.screen
    pygame.key.set_repeat(300, 40)
    pygame.mouse.set_visible(True)
    judged, judge_ns, draw_ns = live.judged(clock.now_ns()), 0, 0
    while not on.over:
        if live.fault is not None:
            raise live.fault
        now_ns = clock.now_ns()
        if now_ns >= judge_ns:
            judged, judge_ns = live.judged(now_ns), now_ns + JUDGE_NS
        scale = scene.placed.scale if scene.placed else 1.0
        wishes = hands.read(pygame.event.get(), scene.buttons, screen.size, scene.point, scale)
        for wish in wishes:
            on.do(wish)
        if wishes or now_ns >= draw_ns:
            draw_ns = now_ns + DRAW_NS
            scene.see(on.sight(live.frame, judged))
            if scene.tick(now_ns):
                screen.flip()
        clock.wait_until(now_ns + TURN_NS)


@dataclasses.dataclass(slots=True)
class Shelf:
    """The marks file, with what was in it before, so that keeping can be taken back."""

    path: Path
    kept: bool = False
    _before: bytes | None = None

    def keep(self, marks: Marks) -> None:
        self._before = self.path.read_bytes() if self.path.exists() else None
        placing.save(marks, self.path)
        self.kept = True

    def put_back(self) -> None:
        self.kept = False
        if self._before is None:
            self.path.unlink(missing_ok=True)
        else:
            placing.write(self._before, self.path)
