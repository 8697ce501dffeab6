"""Bench: how fast this machine is from release to verdict, beside the plain way and beside what cannot be gone below.

The demo net is played at 120 pictures a second, as a camera would give them, each of its pictures twice, with a ball every
20 s: between them the walk back is longer than in the demo. That is good for times and for nothing else, so no number of a
ball is looked at here. The kiosk that runs is the real one, with its own log, screen, sound and clips, in a folder that is
thrown away.
"""
from __future__ import annotations

import itertools
import statistics
import tempfile
import threading
import time
from pathlib import Path
from typing import Any, Iterator, Sequence

from creaseside import looks
from creaseside.stamps import NS, Stamp
from kiosk import clock, models, sources
from kiosk.health import lateness
from kiosk.place import Place
from kiosk.sources import jpeg
from kiosk.sources.stand_in import Pictures, StandIn
from kiosk.truth import beside

FPS = 120
FOCUS = 'measure = "front_knee_ffc_deg"\nat_least = 150\nat_most = 185\n'
CORES = 2                      # pose processes; the smallest machine has two cores
PLAIN_BALLS = 3                # of the plain way, at some 7 s a ball
EVERY_S = 20.0                 # from ball to ball
BEFORE_S = 4.0                 # the landing, the run-up has not begun
AFTER_S = 3.5                  # the release, a bowler is on the way back and nobody runs in
SWAY_S = 1.0                   # so long a piece of the way back is played to and fro until it is time
EMPTY_S = 0.5                  # at the demo's beginning, nobody is there
IDLE_S = 24                    # of an empty lane
STARTING_S = 9.0               # models are loaded and everything has been drawn once
SAMPLE_S = 3.0


def measured(place: Place, balls: int) -> dict[str, Any]:
    """Everything, as `creaseside bench --json` gives it. Takes 20 s a ball, and a minute more."""
    with tempfile.TemporaryDirectory(prefix="creaseside-bench-") as folder:
        place.say("the pictures of the demo net")
        truth = sorted(beside(sources.DEMO).balls, key=lambda ball: ball["ffc_s"])
        net = Pictures.of(sources.DEMO, Path(folder) / "net.jpegs")
        place.say(f"the kiosk on them: {balls} balls, {FPS} pictures a second, at the speed of life")
        summary, load = _kiosk(Path(folder), StandIn(net, _twice(order(net, truth, balls)), FPS))
        place.say("an empty lane")
        empty = itertools.islice(itertools.cycle(range(round(EMPTY_S * net.fps))), round(IDLE_S * net.fps))
        idle = _kiosk(Path(folder) / "idle", StandIn(net, empty, net.fps))[1]["cpu_share"]
        place.say(f"the plain way: the measuring model on every picture of {PLAIN_BALLS} balls")
        plain, look_s = _plain(place, net, truth[:PLAIN_BALLS])
    few = looks.deciding_count(FPS)
    verdict, floor_s = summary["release_to_verdict_s"], few * look_s / CORES
    plain_s = lateness([took * 1e3 for took in plain]).shares(1e-3, 4)
    return {
        "release_to_verdict_s": verdict, "plain_release_to_verdict_s": plain_s,
        "ratio": _over(verdict["p50"], plain_s["p50"]), "floor_s": round(floor_s, 4), "floor_frames": few, "look_ms": round(look_s * 1e3, 1),
        "times_floor": _over(verdict["p50"], floor_s),
        "balls": summary["balls"], "balls_true": balls, "frames": summary["frames"], "frames_lost": summary["frames_lost"],
        "cue_late_ms": summary["cue_late_ms"], "words_late_ms": summary["words_late_ms"], "sound": summary["sound"],
        "screen": summary["screen"], "live_looks": summary["live_looks"], "close_looks": summary["close_looks"],
        "steps_s": summary["steps_s"],
        "replay_late_ms": summary["replay_late_ms"], "replay_step_ms": summary["replay_step_ms"], "idle_share_of_a_core": idle, **load}


def order(net: Pictures, truth: Sequence[dict[str, float]], balls: int) -> Iterator[int]:
    """The demo net's pictures with its balls EVERY_S apart, from ball to ball as in the demo and then the way back to and fro;
    over and over until there were so many balls."""
    last, turn = len(net.ends), round(EVERY_S * net.fps)
    ends = [min(last, round((ball["br_s"] + AFTER_S) * net.fps)) for ball in truth]
    for n in range(balls):
        k = n % len(ends)
        once = range(max(0, round((truth[k]["ffc_s"] - BEFORE_S) * net.fps)), ends[k])
        back = range(ends[k] - 1, ends[k] - 1 - round(SWAY_S * net.fps), -1)
        yield from itertools.islice(itertools.chain(once, itertools.cycle([*back, *back[::-1]])), turn)


def _twice(pictures: Iterator[int]) -> Iterator[int]:
    return (picture for picture in pictures for _ in range(2))


def _kiosk(folder: Path, source: StandIn) -> tuple[dict[str, Any], dict[str, float | None]]:
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
        source.at_end = meter.at_end
        summary = session.run(home, session.Asked(None, sources.DEMO_MARKS, (bowler,), until_end=True, opened=source))
    return summary, meter.load()


class Meter:
    """Memory, and processor time after the start, of this process and those that it started, from a thread of its own, whose
    own time is not theirs.

    Pages that processes share are counted once; the system walks through all of them for that, which stops a kiosk for a
    tenth of a second. So that is done by `at_end`, when no frame follows; until then only what a process has for itself is
    looked at, and the most there was of it.
    """

    def __enter__(self) -> Meter:
        import psutil
        self._me, self._over = psutil.Process(), threading.Event()
        self._private: list[int] = []
        self._whole: int | None = None
        self._own_s = 0.0
        self._at_ns: list[int] = []
        self._spent: dict[int, tuple[float, float]] = {}
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def at_end(self) -> None:
        self._over.set()
        self._thread.join()
        self._sample()
        whole = [process.memory_full_info() for process in self._all()]
        self._whole = sum(getattr(memory, "pss", memory.rss) for memory in whole) - self._private[-1]

    def load(self) -> dict[str, float | None]:
        """rss_mib: at most; cpu_share: of one core, None where the run was too short to say."""
        spent = sum(last - first for first, last in self._spent.values()) - self._own_s
        took_s = (self._at_ns[-1] - self._at_ns[0]) / NS
        return {"rss_mib": None if self._whole is None else round((self._whole + max(self._private)) / 2**20),
                "cpu_share": round(spent / took_s, 3) if took_s else None}

    def _run(self) -> None:
        self._over.wait(STARTING_S)
        self._sample()
        began_s = time.thread_time()
        while not self._over.wait(SAMPLE_S):
            self._own_s = time.thread_time() - began_s      # as far as the sample before, which is what they have in them
            self._sample()

    def _all(self) -> list[Any]:
        return [self._me, *self._me.children(recursive=True)]

    def _sample(self) -> None:
        import psutil
        private = 0
        for process in self._all():
            try:
                memory, used = process.memory_info(), sum(process.cpu_times()[:2])
            except psutil.Error:
                continue
            private += memory.rss - memory.shared
            first, _ = self._spent.get(process.pid, (used, used))
            self._spent[process.pid] = first, used
        self._private.append(private)
        self._at_ns.append(clock.now_ns())


def _plain(place: Place, net: Pictures, truth: list[dict[str, float]]) -> tuple[list[float], float]:
    """Seconds after the release of each ball, and the median of one look, s.

    The plain way waits for the release and then poses every picture of run-up and delivery, one after the other.
    """
    from kiosk.pose_model import PoseModel
    bundle = models.heavy_bundle(place) or models.light_bundle(place)
    model, took, each = PoseModel(bundle, "plain"), [], []
    for ball in truth:
        first, last = ball["ffc_s"] - looks.RUN_UP_LOOK_S, ball["ffc_s"] + looks.LEAST_LOOK_S
        began_ns = clock.now_ns()
        for n, picture in enumerate(_twice(range(round(first * net.fps), round(last * net.fps)))):
            at_ns = clock.now_ns()
            model.pose(jpeg.decode(net.jpeg(picture)), Stamp(n, n * NS // FPS))
            each.append((clock.now_ns() - at_ns) / NS)
        took.append((clock.now_ns() - began_ns) / NS + last - ball["br_s"])
        model.reset()
    model.close()
    return took, statistics.median(each)


def _over(a: float | None, b: float | None) -> float | None:
    return round(a / b, 4) if a is not None and b else None
