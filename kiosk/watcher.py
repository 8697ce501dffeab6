"""Watcher: the pose processes. Frames go out by number, poses come back when they are done; nobody waits for anybody.

Every process reads the reel itself, so that only numbers and landmarks travel. The first process follows the live
frames and looks at frames again when no live frame waits; the others only look again. A look is kept in the order it
was asked for and handed out a frame at a time; a process stays on its stretch of neighbouring frames, since the model
follows a body from frame to frame, and one that has nothing to do takes over the later half of the longest stretch.
The second model follows nobody: one process has it, and looks with it where it has nothing else to do.

A process that dies, is stopped, or keeps a frame for more than HUNG_S, is replaced; the frames that it held come back as
nobody, with the reason. This room does not choose frames and does not judge poses.
"""
from __future__ import annotations

import collections
import itertools
import multiprocessing as mp
import os
import signal
from dataclasses import dataclass, field
from multiprocessing import connection
from pathlib import Path
from typing import Iterable, Sequence

import numpy as np

from creaseside.orders import Box
from creaseside.pose import Pose
from creaseside.stamps import NS, Stamp
from kiosk import clock, memory, soles, still
from kiosk.frames import Frame
from kiosk.pose_model import PoseModel, hushed, inside
from kiosk.reel import Reel
from kiosk.second_model import SecondModel

__all__ = ["Box", "PoseModel", "Watcher"]

NICE = 10           # a cue must not wait for a pose: with posing at nice 0 cues came up to 190 ms late (measured)
HUNG_S = 4.5        # replaced within 5 s; a frame takes 0.1 s; a start, with its imports, up to START_S on a busy machine
START_S = 60.0
LOOK_NS = NS        # how often the system is asked of each process; stopped at STOPPED looks in a row, or while it starts idle
STOPPED = 3         # at IDLE of them, it is replaced, also where it owes nothing: the next ball is not to find it out
IDLE = 5
FALSE_STARTS = 3    # as many in a row, and the process is given up: something is wrong that a new one does not cure
AHEAD = 2           # frames in a process's hands: one being posed, one so that it need not wait for us
GONE_S = 0.5        # a process that let go of everything is gone in a moment, and only then says how it ended
NEIGHBOURS_S = 0.1  # frames of one stretch are no further apart
IDLE_S = 0.1        # without work, and a process gets ready to begin anew; what goes on comes within a turn or two of the loop
HALF = 4            # frames worth taking over: a new stretch costs two poses more
LIVE, LOOK, SECOND = "live", "look", "second"   # what a process does with a frame


@dataclass(slots=True)
class _Job:
    ball: int | None   # None: a live frame
    stamp: Stamp
    box: Box | None
    sought: Box | None = None
    without: int | None = None
    fresh: bool = False
    last: bool = False     # of its stretch
    hurry: bool = False    # a verdict waits for it
    second: bool = False   # by the second model

    @property
    def kind(self) -> str:
        return LIVE if self.ball is None else SECOND if self.second else LOOK


@dataclass(slots=True)
class _Stretch:
    """Neighbours to be looked at one after the other; `end`: the last of them, also when it has been handed out."""

    end: _Job
    jobs: collections.deque[_Job] = field(default_factory=collections.deque)

    def goes_on(self, job: _Job) -> bool:
        near = abs(job.stamp.t_ns - self.end.stamp.t_ns) <= NEIGHBOURS_S * NS
        return near and (job.ball, job.box, job.hurry) == (self.end.ball, self.end.box, self.end.hurry)

    def append(self, job: _Job) -> None:
        self.jobs.append(job)
        self.end = job


class Stretches:
    """Frames to look at again, as stretches of neighbours; who is on which. whole: nobody takes over half of one. second: the number of
    the process that has the second model; its frames are of no stretch."""

    def __init__(self, whole: bool = False, second: int = 0) -> None:
        self._whole, self._second = whole, second
        self._waiting: list[_Stretch] = []
        self._own: dict[int, _Stretch] = {}
        self._twice: collections.deque[_Job] = collections.deque()

    def add(self, ball: int, frames: Iterable[Frame], hurry: bool = False) -> None:
        """hurry: before all that waits and does not, and where a stretch of these is under way it goes on with them."""
        for frame in frames:
            job = _Job(ball, frame.stamp, frame.box_px, frame.sought_px, frame.without, hurry=hurry, second=frame.second)
            if job.second:
                self._twice.append(job)
                continue
            known = [*self._own.values(), *self._waiting] if hurry else self._waiting[-1:]
            stretch = next((stretch for stretch in known if stretch.goes_on(job)), None)
            if stretch is None:
                stretch = _Stretch(job)
                at = sum(other.end.hurry for other in self._waiting) if hurry else len(self._waiting)
                self._waiting.insert(at, stretch)
            stretch.append(job)

    def next(self, who: int) -> _Job | None:
        """The next frame for this process, `fresh` where it begins a stretch; None: nothing to do."""
        mine, fresh = self._own.get(who), False
        if not (mine and mine.jobs):
            taken = self._take_over()
            if taken is None:
                return self._twice.popleft() if self._twice and who == self._second else None
            mine = self._own[who] = taken
            fresh = True
        job = mine.jobs.popleft()
        job.fresh, job.last = fresh, not mine.jobs
        return job

    def hurried(self, who: int) -> bool:
        """A verdict waits for what this process is to do next."""
        mine = self._own.get(who)
        ahead = mine.jobs if mine and mine.jobs else self._waiting[0].jobs if self._waiting else ()
        return bool(ahead) and ahead[0].hurry

    def _take_over(self) -> _Stretch | None:
        if self._waiting:
            return self._waiting.pop(0)
        longest = max(self._own.values(), key=lambda stretch: len(stretch.jobs), default=None)
        if self._whole or longest is None or len(longest.jobs) < 2 * HALF:
            return None
        keep = len(longest.jobs) - len(longest.jobs) // 2
        later = _Stretch(longest.end, collections.deque(itertools.islice(longest.jobs, keep, None)))
        while len(longest.jobs) > keep:
            longest.jobs.pop()
        longest.end = longest.jobs[-1]
        return later

    def drop(self) -> list[_Job]:
        """All that is left, and then nothing is."""
        left = [job for stretch in [*self._own.values(), *self._waiting] for job in stretch.jobs]
        self._own.clear()
        self._waiting.clear()
        return left + self.drop_second()

    def drop_second(self) -> list[_Job]:
        """All that is left for the second model."""
        left = [*self._twice]
        self._twice.clear()
        return left


@dataclass(slots=True)
class _Worker:
    """Our side of one process: the pipe, what it has in hand, and since when it owes an answer."""

    number: int
    process: mp.process.BaseProcess | None = None
    pipe: connection.Connection | None = None
    ready: bool = False
    since_ns: int = 0
    watch: still.Watch | None = None
    false_starts: int = 0
    why: str = ""      # what it said before it ended by itself
    held: collections.deque[_Job] = field(default_factory=collections.deque)

    @property
    def given_up(self) -> bool:
        return self.false_starts >= FALSE_STARTS

    def overdue(self) -> bool:
        owed_s = HUNG_S if self.ready else START_S
        return bool(self.held or not self.ready) and clock.now_ns() - self.since_ns > owed_s * NS


class Watcher:
    """Pose processes on one reel. Without `heavy` the light model looks again too, and its poses say so; without `second` its looks come
    back as nobody.

    steady: what a look gives does not depend on how fast this machine is, since each stretch is one process's own.
    """

    def __init__(self, reel: Reel | str, light: Path, heavy: Path | None = None, second: Path | None = None, workers: int = 2,
                 steady: bool = False) -> None:
        self._args = (reel if isinstance(reel, str) else reel.name, light, heavy)
        self._second = second
        self.look_model = "heavy" if heavy else "light"
        self._models = {LIVE: "light", LOOK: self.look_model, SECOND: "second"}
        self.restarts = 0
        self.why = ""             # why a process was replaced, the last time
        self._stretches = Stretches(steady, workers - 1)
        self._done: list[tuple[int | None, Pose]] = []
        self._look_ns = 0
        self._workers = [_Worker(n) for n in range(workers)]
        for worker in self._workers:
            self._start(worker)

    def live(self, stamp: Stamp, box_px: Box | None = None) -> bool:
        """Hand a live frame to the light model. False: those before are not done yet, so this one is not taken."""
        first = self._workers[0]
        if not first.ready or sum(job.ball is None for job in first.held) >= AHEAD:
            return False
        self._give(first, _Job(None, stamp, box_px))
        return True

    def look(self, ball: int, frames: Sequence[Frame], urgent: bool = False) -> None:
        """Pose these frames with the measuring model, in this order as far as the processes allow.

        Neighbours should share one box: another box is another stretch. urgent: before all
        that waits; may be given piece by piece, as the frames come.
        """
        if self._second is None:
            self._done += [(ball, Pose.nobody(frame.stamp, "second", "no second model")) for frame in frames if frame.second]
            frames = [frame for frame in frames if not frame.second]
        self._stretches.add(ball, frames, urgent)
        self._hand_out()

    def poses(self) -> list[tuple[int | None, Pose]]:
        """What was finished since the last call: (ball, pose) of a look, (None, pose) of a live frame.

        Also the moment at which the processes get more to do and are looked after: call it often.
        """
        now_ns = clock.now_ns()
        looked = now_ns >= self._look_ns
        if looked:
            self._look_ns = now_ns + LOOK_NS
        running = [w for w in self._workers if w.pipe]
        stirring = set(connection.wait([end for w in running for end in (w.pipe, w.process.sentinel)], 0))
        for worker in running:
            if worker.pipe in stirring:
                self._receive(worker)
            stands = looked and worker.watch.still(STOPPED, None if worker.ready else IDLE)
            died = worker.process.sentinel in stirring
            if died:
                worker.process.join(GONE_S)
            if died or stands or worker.overdue():
                self._replace(worker)
        self._hand_out()
        done, self._done = self._done, []
        return done

    def wait(self, timeout_s: float) -> bool:
        """Until a process has something to say, or ended, or the time is over; for callers with nothing else to do."""
        return bool(connection.wait([w.pipe for w in self._workers if w.pipe], timeout_s))

    def ready(self) -> bool:
        """Every process has its models and waits for frames."""
        return all(w.ready for w in self._workers)

    def alive(self) -> bool:
        """No process was given up. (One that is being replaced counts as alive.)"""
        return not any(w.given_up for w in self._workers)

    def pids(self) -> list[int]:
        return [w.process.pid for w in self._workers if w.pipe]

    def close(self) -> None:
        for worker in self._workers:
            self._end(worker, wait_s=0.5)

    def __enter__(self) -> Watcher:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _start(self, worker: _Worker) -> None:
        spawn = mp.get_context("spawn")   # a fork would copy our threads' locks, and our sound and window with them
        worker.pipe, theirs = spawn.Pipe()
        second = self._second if worker.number == len(self._workers) - 1 else None
        worker.process = spawn.Process(target=_work, args=(theirs, worker.number == 0, *self._args, second), daemon=True,
                                       name=f"creaseside pose {worker.number}")
        worker.process.start()
        theirs.close()
        worker.watch = still.Watch(worker.process.pid)
        worker.ready, worker.since_ns = False, clock.now_ns()

    def _give(self, worker: _Worker, job: _Job) -> None:
        if not worker.held:
            worker.since_ns = clock.now_ns()
        worker.held.append(job)
        try:
            worker.pipe.send(job)   # never blocks: at most 2 AHEAD small jobs are on their way
        except OSError:
            pass                    # it died; the next poses() sees it and answers for what it held

    def _hand_out(self) -> None:
        for worker in reversed(self._workers):   # the first one has the live frames too, so it comes last
            while worker.ready and sum(job.ball is not None for job in worker.held) < self._room(worker):
                job = self._stretches.next(worker.number)
                if job is None:
                    break
                self._give(worker, job)
        if all(w.given_up for w in self._workers):
            self._answer_for(self._stretches.drop(), f"no pose process: {self.why}")
        elif self._workers[-1].given_up:
            self._answer_for(self._stretches.drop_second(), f"no pose process: {self.why}")

    def _room(self, worker: _Worker) -> int:
        """How many looks it may have in hand. A look takes as long as three live ones, so the first process gets one only while
        it keeps up with the live frames, unless a verdict waits for it."""
        if worker.number or self._stretches.hurried(worker.number):
            return AHEAD
        return int(sum(job.ball is None for job in worker.held) < AHEAD)

    def _receive(self, worker: _Worker) -> None:
        try:
            while worker.pipe.poll():
                self._take(worker, worker.pipe.recv())
        except (EOFError, OSError):
            pass   # it died; whoever called looks at that next

    def _take(self, worker: _Worker, said: str | tuple) -> None:
        worker.since_ns = clock.now_ns()
        if isinstance(said, str):
            worker.why, worker.ready = said, not said
            return
        stamp, kind, missing, arrays, sole_px = said
        job = next(j for j in worker.held if (j.stamp, j.kind) == (stamp, kind))
        worker.held.remove(job)
        worker.false_starts = 0
        model = self._models[kind]
        self._done.append((job.ball, Pose.nobody(stamp, model, missing) if missing else Pose(stamp, *arrays, model, sole_px=sole_px)))

    def _replace(self, worker: _Worker) -> None:
        hung = worker.process.is_alive()
        worker.false_starts += not worker.ready
        self.why = "no answer in time" if hung else worker.why or f"ended by itself with {worker.process.exitcode}"
        self._end(worker, wait_s=0)
        self._answer_for(worker.held, "worker hung" if hung else "worker died")
        worker.held.clear()
        if not worker.given_up:
            self.restarts += 1
            self._start(worker)

    def _answer_for(self, jobs: Iterable[_Job], why: str) -> None:
        self._done += [(job.ball, Pose.nobody(job.stamp, self._models[job.kind], why)) for job in jobs]

    def _end(self, worker: _Worker, wait_s: float) -> None:
        if not worker.pipe:
            return
        worker.pipe.close()   # a process that is well ends at this
        worker.process.join(wait_s)
        if worker.process.is_alive():
            worker.process.kill()
            worker.process.join()
        worker.pipe, worker.ready = None, False


def _work(pipe: connection.Connection, live: bool, reel_name: str, light: Path, heavy: Path | None, second: Path | None) -> None:
    """A pose process: until the pipe is closed, the newest live frame first, then the looks in turn."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)   # Ctrl-C is for the kiosk, which then closes the pipe
    memory.few_arenas()
    try:
        with hushed():
            models = _models(live, light, heavy, second)
            reel = Reel.attach(reel_name)
            view = _View(reel)
            pipe.send("")
            live_jobs, looks = collections.deque(), collections.deque()
            over = True                        # the last look's stretch
            while True:
                if over and not (live_jobs or looks or pipe.poll(IDLE_S)):
                    models[LOOK].reset()       # while nobody waits for it: it takes as long as a look
                while pipe.poll(None if not (live_jobs or looks) else 0):
                    job = pipe.recv()
                    (looks if job.ball is not None else live_jobs).append(job)
                job = (live_jobs or looks).popleft()
                over = job.last if job.kind == LOOK else over
                pipe.send((job.stamp, job.kind, *_posed(models[job.kind], reel.bgr(job.stamp.frame), view, job)))
    except (EOFError, BrokenPipeError, ConnectionResetError):
        return
    except Exception as e:
        pipe.send(f"{type(e).__name__}: {e}")


def _models(live: bool, light: Path, heavy: Path | None, second: Path | None) -> dict[str, PoseModel | SecondModel]:
    """By what is done with a frame. Niced here, before the library starts its threads."""
    if hasattr(os, "nice"):
        os.nice(NICE)
    import cv2
    cv2.setNumThreads(1)
    models: dict[str, PoseModel | SecondModel] = {LOOK: PoseModel(heavy or light, "heavy" if heavy else "light")}
    if live:
        models[LIVE] = PoseModel(light, "light")
    if second:
        models[SECOND] = SecondModel(second)
    return models


def _posed(model: PoseModel | SecondModel, bgr: np.ndarray | None, view: _View, job: _Job
           ) -> tuple[str | None, tuple[np.ndarray, ...], np.ndarray | None]:
    if bgr is None:
        return "the frame is gone from the reel", (), None
    if job.fresh:
        model.reset()
    pose = model.pose(bgr, job.stamp, job.box, job.sought, job.hurry)
    left, top, right, bottom = box = inside(job.box, bgr)
    without = None if job.without is None or pose.missing else view.bgr(job.without, box)
    sole_px = pose.sole_px if without is None else soles.lower_edges(bgr[top:bottom, left:right], without, pose, (left, top))
    return pose.missing, (pose.xy_px, pose.world_m, pose.visibility), sole_px


class _View:
    """What the latest box shows in a frame from which the bowler is gone. Neighbours share it, and no more of it is held."""

    def __init__(self, reel: Reel) -> None:
        self._reel, self._of, self._bgr = reel, None, None

    def bgr(self, frame: int, box: Box) -> np.ndarray | None:
        if self._of != (frame, box):
            self._of, self._bgr = (frame, box), None
            left, top, right, bottom = box
            if (whole := self._reel.bgr(frame)) is not None:
                self._bgr = whole[top:bottom, left:right].copy()
        return self._bgr
