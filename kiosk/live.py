"""Live: which frames the light model looks at as they come: often at who runs, seldom at who stands, and in an empty lane
only when something stirs.

The looks go out in order of time and are never so far apart that a ball is missed: where they fall behind, the next frames
are looked at that must not be left out, so that on a busy machine a ball is found late, not never. This room sees nothing
itself.
"""
from __future__ import annotations

from collections import deque

from creaseside.engine import Engine
from creaseside.pose import Pose
from creaseside.stamps import NS, Stamp
from kiosk.health import Health
from kiosk.reel import Reel
from kiosk.stir import Stir
from kiosk.watcher import Watcher

LEAST_NS = NS // 30       # of somebody who bowls the engine needs to see this much
ALONE_NS = NS // 10       # of an empty lane in which something stirs; where behind, half of it: who runs in is there for longer
EMPTY_NS = NS             # of an empty lane in which nothing does
BEHIND_NS = 4 * NS        # further behind, the reel might not hold the landing any more: begin anew
EARLY_NS = NS // 250      # a frame that comes so much too early is taken: stamps are not exact
KEPT = 400                # looks that a ball's row may want, 10 s


class Live:
    """`tick` hands out what is due, `came` takes what came back; `poses`: the latest, in order of time."""

    def __init__(self, watcher: Watcher, reel: Reel, engine: Engine, health: Health) -> None:
        self._watcher, self._reel, self._engine, self._health = watcher, reel, engine, health
        self._stir = Stir()
        self._stirred_ns = 0
        self._stirs = True
        self.poses: deque[Pose] = deque(maxlen=KEPT)
        self.out = 0                       # looks on their way
        self.at: Stamp | None = None       # the last frame that was handed out

    def tick(self, newest: Stamp | None, over: bool = False) -> None:
        """Hand out the next look, where one is due and the process takes it. over: no frame follows the newest."""
        stamp = self._due(newest, over)
        if stamp is not None and self._watcher.live(stamp, self._engine.live_box_px):
            self.at, self.out = stamp, self.out + 1
            self._health.count("live_looks")

    def came(self, pose: Pose) -> None:
        self.out -= 1
        self.poses.append(pose)

    @property
    def somebody(self) -> bool:
        return bool(self.poses) and self.poses[-1].missing is None

    def behind_ns(self, newest: Stamp | None) -> int:
        """How far the looks are behind what came."""
        return newest.t_ns - self.at.t_ns if newest and self.at else 0

    def _due(self, newest: Stamp | None, over: bool) -> Stamp | None:
        last = self.at
        if newest is None or newest == last:
            return None
        if last is None:
            return newest
        if newest.t_ns - last.t_ns > BEHIND_NS:
            self._health.count("begun_anew")       # seconds that nobody looked at: a ball in them is lost, and it is said
            return newest
        step_ns = self._step_ns(newest)
        if newest.t_ns - last.t_ns < step_ns - EARLY_NS:
            return newest if over else None
        passed = self._reel.stamps(last.t_ns + 1, newest.t_ns)
        due = [stamp for stamp in passed if stamp.t_ns - last.t_ns >= step_ns - EARLY_NS]
        if due and due[0].t_ns - last.t_ns > max(step_ns, LEAST_NS) + EARLY_NS and len(passed) > len(due):
            return passed[len(passed) - len(due) - 1]      # frames are far apart: better one too many than a gap
        return due[0] if due else newest

    def _step_ns(self, newest: Stamp) -> int:
        """How far the next look is to be from the last."""
        late = self.behind_ns(newest) > 2 * ALONE_NS
        if self.somebody or not self.poses:
            return max(self._engine.live_step_ns, LEAST_NS if late else 0)
        return ALONE_NS * (2 if late else 1) if self._something(newest) else EMPTY_NS

    def _something(self, newest: Stamp) -> bool:
        if newest.t_ns - self._stirred_ns >= ALONE_NS:
            self._stirred_ns = newest.t_ns
            jpeg = self._reel.jpeg(newest.frame)
            self._stirs = jpeg is None or self._stir.stirs(jpeg)
        return self._stirs
