"""Rot: a bit flipped, an end cut off, bytes of nothing in the log, the settings, the marks or a pose model; then a start.

The kiosk's own command is run in this process, with a camera that sends five frames; what is damaged, where and how is by
lot from a seed."""
from __future__ import annotations

import contextlib
import io
import os
import random
import shutil
from pathlib import Path
from unittest import mock

from creaseside.stamps import NS, Stamp
from kiosk import __main__, models, session, sources
from kiosk.board import Board
from kiosk.logbook import Logbook
from kiosk.place import Place
from tests.faults import net as nets
from tests.faults.door import prepared
from tests.faults.net import Eyes, Net
from tests.faults.row import Row, need, turns
from tests.kiosk.bowled import some_ball, some_poses

FILES = ("creaseside.db", "settings.toml", "marks.toml", "model")


class Five:
    """A source of five frames."""

    live, trouble, name, width_px, height_px, fps = False, None, "five", nets.WIDTH, nets.HEIGHT, 60.0
    counts: dict[str, int] = {}

    def __init__(self) -> None:
        self._left = [(Stamp(i, i * NS // 60), nets.frame(i * NS // 60)) for i in range(5)]

    def grab(self):
        return self._left.pop(0) if self._left else None

    def stills(self):
        return ()

    def close(self) -> None:
        pass


def run(count: int, folder: Path) -> str:
    chance = random.Random(500)
    whole = prepared(folder / "whole" if not (folder / "whole").mkdir() else folder).folder
    with Logbook(Place(whole)) as log:
        begun = log.start_session("p-sam")
        for n in range(12):
            log.add_ball(begun, some_ball(n), poses=some_poses(10, "light"))
    cache = folder / "cache"
    started, aside, said = 0, 0, 0
    with mock.patch.dict(os.environ, {"CREASESIDE_MODELS": str(cache), "SDL_VIDEODRIVER": "dummy", "SDL_AUDIODRIVER": "none"}):
        light = models.light_bundle()
        model = light.read_bytes()
        for i in turns(count):
            home = folder / "home"
            shutil.rmtree(home, ignore_errors=True)
            shutil.copytree(whole, home)
            light.write_bytes(model)
            name = "model" if i % 12 == 7 else FILES[i % 3]      # a model is built anew for seconds
            file = light if name == "model" else home / name
            how, before = _damage(file, chance)
            status, err, shown = start(home)
            case = f"case {i}, {name}, {how}: status {status}: {err}"
            need("Traceback" not in err, case)
            need(status == 0, case)
            started += 1
            hurt = file.name in err and ("damaged" in err or "could not be used" in err)
            said += hurt
            if hurt:
                kept = list(file.parent.glob(f"{file.name}.damaged-*"))
                need(any("damaged: " in line for line in shown), f"{case}: not on the screen: {shown}")
                need(any(k.read_bytes() == before for k in kept), f"{case}: the damaged file is not kept: {kept}")
                aside += 1
                for k in kept:
                    k.unlink()
    return f"{started} damaged files ({', '.join(FILES)}): {started} starts, {said} named, on the screen too, {aside} kept aside, the others harmless; no traceback"


def _damage(file: Path, chance: random.Random) -> tuple[str, bytes]:
    """In place; how, and the damaged bytes."""
    data = bytearray(file.read_bytes())
    how = chance.choice(("flips", "cut", "zeros", "noise", "empty"))
    if how == "flips":
        for _ in range(chance.choice((1, 8, 200))):
            data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    elif how == "cut":
        del data[chance.randrange(len(data)):]
    elif how == "empty":
        data.clear()
    else:
        at, n = chance.randrange(len(data)), chance.randrange(1, 5000)
        data[at:at + n] = bytes(len(data[at:at + n])) if how == "zeros" else chance.randbytes(len(data[at:at + n]))
    file.write_bytes(data)
    return how, bytes(data)


def start(home: Path) -> tuple[int, str, set[str]]:
    """The status and stderr of the kiosk's command, and the side notes that were on its screen."""
    net, err, shown, tick = Net(0, count=0, every_s=60), io.StringIO(), set(), Board.tick

    def watched(board: Board, *given: object):
        out = tick(board, *given)
        shown.update(board.stage.view.messages)
        return out
    with (mock.patch.object(sources, "open_source", lambda *given, **more: Five()),
          mock.patch.object(Board, "tick", watched), mock.patch.object(session, "_watcher", lambda reel, bundles, parts: Eyes(net, reel)),
          contextlib.redirect_stderr(err), contextlib.redirect_stdout(io.StringIO())):
        status = __main__.main(["--home", str(home), "--json", "kiosk", "--headless", "--until-end", "--source", "0"])
    return status, err.getvalue(), shown


ROW = Row("rot", "log, settings, marks or pose model damaged: bits flipped, cut off, overwritten",
          "starts, names file and remedy, says it on the screen, keeps the damaged file aside, never a traceback", 8, 500, run)
