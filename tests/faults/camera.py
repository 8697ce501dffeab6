"""Camera: unplugged, hanging, frozen, sending the same frame, of another size, torn or far slower than it says; and back.

In short: in a whole kiosk, on a clock moved by hand. In full: each kind once more in real time, where the camera's own
thread reads the driver."""
from __future__ import annotations

import random
import threading
from collections import deque
from pathlib import Path

from creaseside.stamps import NS
from kiosk import clock as real_clock
from kiosk import troubles as words_room
from kiosk.sources.camera import Camera
from tests.faults.hall import Driver, Hall, Socket, Trouble
from tests.faults.row import Row, need

KINDS = ("gone", "hang", "raise", "frozen", "same", "small", "torn", "slow")
SAID_S, BACK_S = 2.0, 5.0
APART_S = 14.0              # from one trouble to the next
SURE_DEG = 3.0              # an angle of an untroubled ball is right to this


def run(count: int, folder: Path) -> str:
    """Troubles of 1.5 to 6 s at moments by lot, one after the other; a ball every 7 s, so that many fall into one."""
    chance = random.Random(7)
    begin_ns = 1_000 * NS + 6 * NS
    troubles = []
    for i in range(count):
        at_ns = begin_ns + round((i * APART_S + chance.uniform(0, 5)) * NS)
        troubles.append(Trouble(KINDS[i % len(KINDS)], at_ns, at_ns + round(chance.uniform(1.5, 6) * NS)))
    said, back, touched, refused, flagged = [], [], 0, 0, 0
    with Hall(folder, every_s=7.0, troubles=troubles) as hall:
        for trouble in troubles:
            said_s, back_s = _through(hall, trouble)
            said += [said_s] if said_s is not None else []
            back.append(back_s)
        hall.run(8)
        rows = hall.rows()
        known = {hall.ball_of(row)[0]: row for row in rows}
        need(len(known) == len(rows), f"{len(rows)} balls logged, {len(known)} bowled: one was counted twice")
        for ball in range(hall.net.landed_by(hall.clock.ns - 4 * NS)):
            landing_ns, row = hall.net.landing_ns(ball), known.get(ball)
            if any(t.from_ns - NS // 5 < landing_ns + NS // 3 and landing_ns - NS // 5 < t.to_ns + NS // 5 for t in troubles):
                touched += 1
                angle = None if row is None else row["front_knee_ffc_deg"]
                refused += angle is None
                flagged += angle is not None and bool(row["flags"])
                need(angle is None or row["flags"], f"ball {ball} in a troubled picture has an angle, {angle}, and no flag: {row}")
        need(not hall.kept, f"faults in the loop: {hall.kept}")
    return (f"{count} troubles of {len(set(KINDS[:count]))} kinds; said after at most {max(said, default=0):.2f} s, a new picture at "
            f"most {max(back):.2f} s after it was back; {touched} balls bowled meanwhile: {refused} without an angle, {flagged} "
            f"flagged; {hall.source.counts}" + (f"; {_real()}" if count > len(KINDS) else ""))


def _through(hall: Hall, trouble: Trouble) -> tuple[float | None, float]:
    """(said after s, None for a trouble that says itself in numbers or is over first; a new picture s after its end)"""
    hall.run((trouble.from_ns - hall.clock.ns) / NS)
    if trouble.kind == "slow":
        found = hall.run((trouble.to_ns - trouble.from_ns) / NS + 6, lambda: bool(hall.stage.view.messages))
        need(found or trouble.to_ns - trouble.from_ns < 5 * NS, "a slow camera was not said")
        hall.run(max(0, trouble.to_ns - hall.clock.ns) / NS)
        return None, 0.0
    came = hall.run((trouble.to_ns - trouble.from_ns) / NS, lambda: bool(hall.banner))
    said_s = (hall.clock.ns - trouble.from_ns) / NS
    need(said_s <= SAID_S + 0.02 or came and said_s <= SAID_S + 0.02 or trouble.to_ns - trouble.from_ns < SAID_S * NS,
         f"{trouble.kind}: not on the screen after {said_s:.2f} s")
    hall.run(max(0, trouble.to_ns - hall.clock.ns) / NS)
    frames = hall.intake.frames

    def well() -> bool:
        return hall.intake.frames > frames and hall.source.trouble is None and not hall.banner
    need(hall.run(BACK_S + 1, well), f"{trouble.kind}: still gone {BACK_S + 1:.0f} s after it was back: {hall.source.trouble}")
    back_s = (hall.clock.ns - trouble.to_ns) / NS
    need(back_s <= BACK_S, f"{trouble.kind}: running {back_s:.2f} s after it was back")
    return (said_s if came else None), back_s


class Now:
    """The real clock, as the socket asks it."""

    wait_until = staticmethod(real_clock.wait_until)

    @property
    def ns(self) -> int:
        return real_clock.now_ns()


class Plugged(Driver):
    """Blocks as a driver does."""

    def read(self):
        while (shot := super().read(real_clock.now_ns() + NS)) == "late":
            pass
        return shot


def _real() -> str:
    chance, begin_ns = random.Random(8), real_clock.now_ns() + 2 * NS
    kinds = [kind for kind in KINDS if kind != "slow"]       # it says itself in numbers, of which this part has none
    troubles = [Trouble(kind, (at := begin_ns + round(i * 10 * NS)), at + round(chance.uniform(2.0, 4.0) * NS))
                for i, kind in enumerate(kinds)]
    socket = Socket(Now(), troubles=deque(troubles))
    source, came = Camera("0", grabber=lambda device, _: Plugged(socket)), deque(maxlen=1)
    reading = threading.Thread(target=lambda: [came.append(got[0]) for got in iter(source.grab, None)], daemon=True)
    reading.start()
    said, back = [], []
    for trouble in troubles:
        need(_real_until(lambda: source.trouble, trouble.from_ns, trouble.to_ns, said), f"real time, {trouble.kind}: not noticed")
        need(_real_until(lambda: came[0].t_ns > trouble.to_ns and not source.trouble, trouble.to_ns, trouble.to_ns + 6 * NS, back),
             f"real time, {trouble.kind}: still gone 6 s after it was back: {source.trouble}")
    source.close()
    reading.join(6)
    most_said, most_back = max(said) + words_room.AGAIN_NS / NS, max(back)
    need(most_said <= SAID_S + 0.1 and most_back <= BACK_S, f"real time: said after {most_said:.2f} s, back after {most_back:.2f} s")
    return f"in real time {len(kinds)} kinds: noticed after at most {max(said):.2f} s, a new picture {most_back:.2f} s after its return"


def _real_until(done, from_ns: int, to_ns: int, out: list[float]) -> bool:
    """Looked at every 20 ms; how long after `from_ns` it was so, s, goes to `out`."""
    real_clock.wait_until(from_ns)
    while not done() and real_clock.now_ns() < to_ns:
        real_clock.wait_until(real_clock.now_ns() + NS // 50)
    out.append((real_clock.now_ns() - from_ns) / NS)
    return bool(done())


ROW = Row("camera", "camera unplugged, hanging, frozen, sending the same frame, of another size, torn, slow; and back",
          "said on the screen within 2 s, running within 5 s of its return, angles meanwhile flagged or refused", 3, 104, run)
