"""Door: the kiosk's own command in a process of its own, with puppets in front of it: `python -m tests.faults.door HOME …`.

Camera driver and pose processes are stood in for (tests/faults/net.py); everything else is the product, started by its own
command line: `creaseside --home HOME --json kiosk --headless …`. A ball every `--every` seconds, in real time.
"""
from __future__ import annotations

import argparse
import contextlib
import json
import os
import select
import socket
import subprocess
import sys
import time
from pathlib import Path

from creaseside.stamps import NS
from kiosk.logbook import Logbook
from kiosk.place import Place
from tests.faults import net as nets
from tests.faults.net import Eyes, Net
from tests.faults.row import Awake

REPO = Path(__file__).parents[2]
SETTINGS = """[camera]
fps = 60
reel_s = 6.0
[screen]
width_px = 640
height_px = 360
[focus]
measure = "front_knee_ffc_deg"
at_least = 155.0
at_most = 175.0
"""


def prepared(folder: Path, consent: bool = True) -> Place:
    """A home with settings, marks, and a player who agreed to pictures."""
    place = Place(folder / "home", quiet=True)
    (place.home / "settings.toml").write_text(SETTINGS)
    from kiosk.marks import to_toml
    place.own_marks.write_text(to_toml(nets.marks()))
    with Logbook(place) as log:
        player = log.add_player("Sam", "right", age_group="adult", id="p-sam")
        if consent:
            log.add_consent(player, "clips", "Sam")
    return place


class Kiosk:
    """The process, what it announced so far, and the system's socket that it tells of its health."""

    def __init__(self, place: Place, *more: str, before: tuple[str, ...] = (), every_s: float = 4.0, player: bool = True,
                 tag: str = "door") -> None:
        self.place, self.balls, self.since = place, [], Awake()
        self._ear_file = place.home.parent / "notify"
        self._ear_file.unlink(missing_ok=True)
        self._ear = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._ear.bind(str(self._ear_file))
        env = os.environ | {"PYTHONPATH": f"{REPO / 'src'}{os.pathsep}{REPO}", "NOTIFY_SOCKET": str(self._ear_file),
                            "WATCHDOG_USEC": "3000000"}
        who = ["--player", "p-sam"] if player else []
        module = ["tests.faults.door", "--every", str(every_s)] if tag == "door" else ["kiosk"]
        args = [*before, sys.executable, "-m", *module, "--home", str(place.home), "--json", "kiosk", "--headless", *who, *more]
        self.errors = (place.home.parent / "stderr").open("ab")
        self.process = subprocess.Popen(args, cwd=REPO, env=env, stdout=subprocess.PIPE, stderr=self.errors)
        os.set_blocking(self.process.stdout.fileno(), False)
        self._text = b""

    def heard(self, wait_s: float) -> list[str]:
        """What it told the system until then."""
        until, out = time.monotonic() + wait_s, []
        while (left := until - time.monotonic()) > 0 or not out:
            ready, _, _ = select.select([self._ear, self.process.stdout], [], [], max(0.0, left))
            if self._ear in ready:
                out.append(self._ear.recv(4096).decode())
            self.read()
            if not ready or self.process.poll() is not None:
                break
        return out

    def until(self, words: str, wait_s: float) -> float:
        """Seconds from the start of the process until it told the system so; TimeoutError where it did not."""
        until = self.since.s() + wait_s
        while self.since.s() < until and self.process.poll() is None:
            ready, _, _ = select.select([self._ear, self.process.stdout], [], [], 0.2)
            self.read()
            if self._ear in ready and words in self._ear.recv(4096).decode():
                return self.since.s()
        raise TimeoutError(f"not {words!r} within {wait_s} s; {self.last_words()}")

    def read(self) -> list[dict]:
        """Balls announced so far."""
        with contextlib.suppress(BlockingIOError):
            while piece := self.process.stdout.read(65536):
                self._text += piece
        *lines, self._text = self._text.split(b"\n")
        self.balls += [json.loads(line) for line in lines]
        return self.balls

    def watch(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0 and self.process.poll() is None:
            ready, _, _ = select.select([self._ear, self.process.stdout], [], [], left)
            if self._ear in ready:
                self._ear.recv(4096)
            self.read()

    def kill(self) -> None:
        self.process.kill()
        self.end()

    def end(self) -> None:
        self.process.wait(60)
        self.read()
        self.process.stdout.close()
        self._ear.close()
        self.errors.close()

    def last_words(self) -> str:
        return (self.place.home.parent / "stderr").read_text(errors="replace")[-400:]


class Pacer:
    """The net as a live source, in real time."""

    live, trouble = True, None
    name, width_px, height_px = "camera 0", nets.WIDTH, nets.HEIGHT
    counts: dict[str, int] = {}

    def __init__(self, net: Net) -> None:
        import threading
        self.net, self.fps, self._stop, self._frame = net, net.fps, threading.Event(), 0
        from kiosk import clock
        self._clock, self._next_ns = clock, clock.now_ns()

    def grab(self):
        from creaseside.stamps import Stamp
        self._next_ns = max(self._next_ns + round(NS / self.fps), self._clock.now_ns() - NS // 4)
        if not self._clock.wait_until(self._next_ns, self._stop):
            return None
        self._frame += 1
        return Stamp(self._frame, self._next_ns), nets.frame(self._next_ns)

    def stills(self):
        from kiosk.sources import jpeg
        yield jpeg.decode(nets.frame(self._next_ns))

    def close(self) -> None:
        self._stop.set()


def main(argv: list[str]) -> int:
    asked = argparse.ArgumentParser(add_help=False)
    asked.add_argument("--every", type=float, default=4.0)
    asked.add_argument("--balls", type=int)
    given, rest = asked.parse_known_args(argv)
    from kiosk import __main__, clock, session, sources
    net = Net(clock.now_ns() + 3 * NS, given.every, given.balls)
    for which in range(len(nets.KNEES)):        # before it begins: they are drawn once
        nets.film_poses(which, net.fps, "light"), nets.film_poses(which, net.fps, "heavy")
    session.bundles_of = lambda place: (Path(__file__), None)
    session._watcher = lambda reel, bundles, parts: Eyes(net, reel)
    sources.open_source = lambda *given, **more: Pacer(net)
    return __main__.main([*rest, "--source", "0"])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
