"""Clock: the wall clock set back or forward by a day, another time zone, a leap second; in a running session."""
from __future__ import annotations

from datetime import datetime, timedelta, timezone
from pathlib import Path

from kiosk import upkeep
from tests.faults.hall import Hall
from tests.faults.row import Row, need

CHANGES = (("a day back", timedelta(days=-1), None), ("a day on", timedelta(days=1), None),
           ("5.5 h east", timedelta(), timezone(timedelta(hours=5, minutes=30))), ("a leap second", timedelta(seconds=-1), None),
           ("a year on", timedelta(days=365), None), ("west of the date line", timedelta(), timezone(timedelta(hours=-11))))


def run(count: int, folder: Path) -> str:
    """A ball, the change, a ball; then back. Order, delays, days and retention, each time."""
    delays, names = [], []
    for i in range(count):
        name, ahead, zone = CHANGES[i % len(CHANGES)]
        names.append(name)
        (at := folder / str(i)).mkdir()
        with Hall(at, every_s=5.0, balls=3) as hall:
            hall.run(7.5)
            began = hall.clock.utc_and_ns()[0]
            hall.clock.ahead += ahead
            hall.clock.zone = zone or hall.clock.zone
            hall.run(5.0)
            hall.clock.ahead, hall.clock.zone = timedelta(), timezone.utc
            hall.run(8.0)
            rows = hall.rows()
            need([r["number"] for r in rows] == [1, 2, 3], f"{name}: balls {[r['number'] for r in rows]}")
            thrown = [datetime.fromisoformat(r["thrown_utc"].replace("Z", "+00:00")) for r in rows]
            need(thrown == sorted(thrown) and all(abs((b - a).total_seconds() - 5.0) < 0.1 for a, b in zip(thrown, thrown[1:])),
                 f"{name}: thrown at {thrown}")
            need({t.date() for t in thrown} == {began.date()}, f"{name}: on the days {thrown}")
            need({r["utc_offset_min"] for r in rows} == {0}, f"{name}: another offset in the middle of a session")
            delays += [r["release_to_cue_s"] for r in rows if r["release_to_cue_s"] is not None]
            kept = {c["ball"] for c in hall.log.clips()}
            ends = {c["keep_until"] for c in hall.log.clips()}
            if ahead < timedelta(days=300):
                need(len(kept) == 3, f"{name}: {len(kept)} clips of 3 kept")
                need(all(abs((datetime.fromisoformat(e).date() - began.date()).days - 28) <= 1 for e in ends), f"{name}: until {ends}")
            need(upkeep.set_back(hall.log) is None, f"{name}: {upkeep.set_back(hall.log)}")
    need(all(abs(d - 1.5) < 0.1 for d in delays), f"cues at {delays} s after release")
    return f"{count} changes ({', '.join(dict.fromkeys(names))}), {len(delays)} cues all 1.5 s after release, order and days right"


ROW = Row("clock", "the clock set back or on by a day, another time zone, a leap second",
          "order, delays, workload days and retention stay right", 1, 12, run)
