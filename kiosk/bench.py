"""Bench: how fast this machine is from release to verdict, beside the plain way and beside what cannot be gone below.

The demo net is played at 120 pictures a second, as a camera would give them, each of its pictures twice. That is good for
times and for nothing else, so no number of a ball is looked at here. The kiosk that runs is the real one, with its own log,
screen, sound and clips, in a folder that is thrown away.
"""
from __future__ import annotations

import itertools
import math
import shutil
import statistics
import tempfile
import threading
from pathlib import Path
from typing import Any

import numpy as np

from creaseside import looks
from creaseside.stamps import NS, Stamp
from kiosk import avi, clock, models, sources
from kiosk.place import Place
from kiosk.sources import jpeg
from kiosk.sources.tape import Tape
from kiosk.truth import beside

FPS = 120
FOCUS = 'measure = "front_knee_ffc_deg"\nat_least = 150\nat_most = 185\n'
CORES = 2                      # pose processes; the smallest machine has two cores
PLAIN_BALLS = 3                # of the plain way, at some 7 s a ball
EMPTY_S = 0.5
IDLE_S = 24                    # of an empty lane
STARTING_S = 9.0               # models are loaded and everything has been drawn once
SAMPLE_S = 3.0                 # the system walks through every page to count memory: some 10 ms a process


def measured(place: Place, balls: int) -> dict[str, Any]:
    """Everything, as `creaseside bench --json` gives it. Takes a minute for six balls, and half of one before and after."""
    with tempfile.TemporaryDirectory(prefix="creaseside-bench-") as folder:
        clip = Path(folder) / "net.avi"
        place.say(f"making a clip of {FPS} pictures a second of the demo net")
        truth = sorted(beside(sources.DEMO).balls, key=lambda ball: ball["ffc_s"])
        passes = math.ceil(balls / len(truth))
        _faster(clip)
        place.say(f"the kiosk on it: {passes * len(truth)} balls, at the speed of life")
        summary, load = _kiosk(Path(folder), clip, passes)
        place.say("an empty lane")
        idle = _idle(Path(folder))
        place.say(f"the plain way: the measuring model on every picture of {PLAIN_BALLS} balls")
        plain, look_s = _plain(place, clip, truth[:PLAIN_BALLS])
    few = looks.deciding_count(FPS)
    verdict, plain_s, floor_s = summary["release_to_verdict_s"], _shares(plain), few * look_s / CORES
    return {
        "release_to_verdict_s": verdict, "plain_release_to_verdict_s": plain_s,
        "ratio": _over(verdict["p50"], plain_s["p50"]), "floor_s": round(floor_s, 4), "floor_frames": few, "look_ms": round(look_s * 1e3, 1),
        "times_floor": _over(verdict["p50"], floor_s),
        "balls": summary["balls"], "balls_true": passes * len(truth), "frames": summary["frames"],
        "frames_lost": summary["frames_lost"], "held": summary.get("held", 0),
        "cue_late_ms": summary["cue_late_ms"], "words_late_ms": summary["words_late_ms"], "sound": summary["sound"],
        "screen": summary["screen"], "live_looks": summary["live_looks"], "close_looks": summary["close_looks"],
        "steps_s": summary["steps_s"],
        "replay_step_ms": summary["replay_step_ms"], "idle_share_of_a_core": idle, **load}


def _faster(clip: Path) -> None:
    """The demo net, each picture twice."""
    _film(clip, None, 2, FPS)


def _idle(folder: Path) -> float | None:
    """Of a core, while nobody is in the lane: the demo net's first half second, in which nobody is, over and over, at its
    own rate."""
    clip = folder / "empty.avi"
    _film(clip, EMPTY_S, 1, FPS // 2)
    return _kiosk(folder / "idle", clip, round(IDLE_S / EMPTY_S))[1]["cpu_share"]


def _film(clip: Path, last_s: float | None, times: int, fps: int) -> None:
    """The demo net to that moment, each picture so many times."""
    lengths, body = [], clip.with_suffix(".body")
    with Tape(sources.DEMO, paced=False) as tape, body.open("wb") as out:
        size = tape.width_px, tape.height_px
        for _, bgr in tape.frames(last_s=last_s):
            data = jpeg.encode(bgr)
            lengths += [len(data)] * times
            out.write(avi.chunk(data) * times)
    head, index = avi.layout(lengths, *size, NS // fps)
    with clip.open("wb") as out:
        out.write(head)
        with body.open("rb") as chunks:
            shutil.copyfileobj(chunks, out)
        out.write(index)
    body.unlink()


def _kiosk(folder: Path, clip: Path, passes: int) -> tuple[dict[str, Any], dict[str, float | None]]:
    """The summary of a run, and what it took of the machine."""
    from kiosk import demo, session
    from kiosk.logbook import Logbook
    folder.mkdir(exist_ok=True)
    home = Place(folder / "home", folder / "settings.toml", quiet=True)
    home.settings_file.write_text(f"[focus]\n{FOCUS}", "utf-8")
    with Logbook(home) as log:
        demo.add_bowlers(log)
        bowler = log.players()[0]["id"]      # an adult who agreed to clips, as all of them
    with Meter() as meter:
        summary = session.run(home, session.Asked(str(clip), sources.DEMO_MARKS, (bowler,), until_end=True, passes=passes))
    return summary, meter.load()


class Meter:
    """Memory, and processor time after the start, of this process and those that it started, from a thread of its own."""

    def __enter__(self) -> Meter:
        import psutil
        self._me, self._over = psutil.Process(), threading.Event()
        self._held: list[int] = []
        self._at_ns: list[int] = []
        self._spent: dict[int, tuple[float, float]] = {}
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def load(self) -> dict[str, float | None]:
        """memory_mib: at most; cpu_share: of one core, None where the run was too short to say."""
        spent = sum(last - first for first, last in self._spent.values())
        took_s = (self._at_ns[-1] - self._at_ns[0]) / NS
        return {"memory_mib": round(max(self._held) / 2**20), "cpu_share": round(spent / took_s, 3) if took_s else None}

    def _run(self) -> None:
        self._over.wait(STARTING_S)
        self._sample()
        while not self._over.wait(SAMPLE_S):
            self._sample()

    def _sample(self) -> None:
        import psutil
        held = 0
        for process in [self._me, *self._me.children(recursive=True)]:
            try:
                memory, used = process.memory_full_info(), sum(process.cpu_times()[:2])
            except psutil.Error:
                continue
            held += getattr(memory, "pss", memory.rss)     # the reel is shared: count it once
            first, _ = self._spent.get(process.pid, (used, used))
            self._spent[process.pid] = first, used
        self._held.append(held)
        self._at_ns.append(clock.now_ns())


def _plain(place: Place, clip: Path, truth: list[dict[str, float]]) -> tuple[list[float], float]:
    """Seconds after the release of each ball, and the median of one look, s.

    The plain way waits for the release and then poses every picture of run-up and delivery, one after the other.
    """
    from kiosk.pose_model import PoseModel
    bundle = models.heavy_bundle(place) or models.light_bundle(place)
    model, took, each = PoseModel(bundle, "plain"), [], []
    for ball in truth:
        first, last = ball["ffc_s"] - looks.RUN_UP_LOOK_S, ball["ffc_s"] + looks.LEAST_LOOK_S
        pictures = itertools.islice(avi.frames(clip), round(first * FPS), round(last * FPS))
        began_ns = clock.now_ns()
        for n, data in enumerate(pictures):
            at_ns = clock.now_ns()
            model.pose(jpeg.decode(data), Stamp(n, n * NS // FPS))
            each.append((clock.now_ns() - at_ns) / NS)
        took.append((clock.now_ns() - began_ns) / NS + last - ball["br_s"])
        model.reset()
    model.close()
    return took, statistics.median(each)


def _shares(seconds: list[float]) -> dict[str, float | None]:
    if not seconds:
        return {"p50": None, "p95": None}
    return {"p50": round(float(np.median(seconds)), 4), "p95": round(float(np.percentile(seconds, 95)), 4)}


def _over(a: float | None, b: float | None) -> float | None:
    return round(a / b, 4) if a is not None and b else None
