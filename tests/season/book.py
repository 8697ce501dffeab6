"""Book: writes an invented season into a real log, session by session in the order of the calendar.

The log is the kiosk's own, opened by its own door. Only the balls of a session go in together instead of one by one,
and the disk is not waited for, since an invented ball may be lost.
"""
from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import date, datetime, time, timedelta, timezone
from pathlib import Path
from typing import Iterator

import numpy as np

from creaseside import rows
from creaseside.plan import Plan, usual
from creaseside.settings import FocusCue, Settings
from creaseside.stamps import NS
from kiosk.logbook import Logbook
from kiosk.marks import Marks
from kiosk.place import Place
from tests.season import bowling
from tests.season.planted import SOLO, Bowler, bowlers

DAYS = 280                  # of the season; its last day is a Sunday, so that days mean the same in every season
LAST = date(2026, 11, 22)
BETWEEN_S = 40              # from ball to ball
FREE_EVERY, RADAR_EVERY = 8, 4       # every so many sessions of a bowler is without a plan, with a radar
FOUR_OCLOCK = time(16, tzinfo=timezone.utc)


class Calendar:
    """A clock whose day is turned by hand; in place of kiosk.clock."""

    def __init__(self, day: date) -> None:
        self.wall, self._ns = datetime.combine(day, FOUR_OCLOCK), NS

    def now_ns(self) -> int:
        return self._ns

    def slept_ns(self) -> int:
        return 0

    def utc_and_ns(self) -> tuple[datetime, int]:
        return self.wall, self._ns

    def turn_to(self, wall: datetime) -> None:
        self._ns += max(0, round((wall - self.wall).total_seconds() * NS))
        self.wall = wall

    def wait_until(self, t_ns: int, stop=None) -> bool:
        self.turn_to(self.wall + timedelta(microseconds=max(0, t_ns - self._ns) // 1000))
        return True


@dataclass(frozen=True, slots=True)
class Sitting:
    """One session to be: the n-th of `of` of its bowler."""

    wall: datetime
    bowler: Bowler
    n: int
    of: int
    balls: int

    @property
    def plan(self) -> Plan | None:
        return None if (self.n + 1) % FREE_EVERY == 0 else usual(self.bowler.age)

    @property
    def radar(self) -> bool:
        return (self.n + 1) % RADAR_EVERY == 2

    @property
    def part(self) -> float:
        """Of the season, 0 to 1."""
        return self.n / max(1, self.of - 1)


def write(folder: Path, balls: int = 100_000, seed: int = 1, last: date = LAST) -> dict:
    """A home with a log of so many balls, and `planted.json` beside it with what is true of each bowler; what was made.
    """
    who, place = bowlers(seed), Place(folder, quiet=True)
    calendar = Calendar(last - timedelta(days=DAYS))
    sittings = sorted(_sittings(who, balls, last), key=lambda s: (s.wall, s.bowler.number))
    with Logbook(place, calendar) as log:
        log._db.execute("pragma synchronous = off")
        program = log.note_program("0.1.0", {"light": "0" * 64, "heavy": "1" * 64}, Settings())
        setup = log.note_setup(Marks(1280, 720, {"middle_stump_base": (781.5, 465.4),
                                                 "middle_stump_top": (782.7, 365.1),
                                                 "popping_crease_left": (608.8, 507.7),
                                                 "popping_crease_right": (608.7, 436.4)}))
        for bowler in who:
            _join(log, bowler, last)
        for sitting in sittings:
            calendar.turn_to(sitting.wall)
            _sit(log, sitting, program, setup, np.random.default_rng((seed, sitting.bowler.number, sitting.n)))
    made = {"home": str(folder), "balls": sum(s.balls for s in sittings), "sessions": len(sittings),
            "players": len(who)}
    truth = [asdict(b) | {"id": b.id} for b in who]
    told = json.dumps(made | {"bowlers": truth}, ensure_ascii=False, indent=1)
    (place.home / "planted.json").write_text(told, "utf-8")
    return made


def _sittings(who: tuple[Bowler, ...], balls: int, last: date) -> Iterator[Sitting]:
    """Everybody's sessions, evenly over the season, until that many balls are planned."""
    regulars = [b for n, b in enumerate(who) if n != SOLO]
    a_round = sum(usual(b.age).balls for b in regulars)
    rounds = max(1, -(-(balls - 1) // a_round))
    left = balls - 1
    yield Sitting(datetime.combine(last - timedelta(days=DAYS // 2), FOUR_OCLOCK), who[SOLO], 0, 1, 1)
    for n in range(rounds):
        for bowler in regulars:
            count = min(left, usual(bowler.age).balls)
            if count:
                day = last - timedelta(days=round((DAYS - 1) * (1 - (n + 0.5) / rounds)))
                at = datetime.combine(day, FOUR_OCLOCK) + timedelta(minutes=5 * bowler.number)
                yield Sitting(at, bowler, n, rounds, count)
            left -= count


def _join(log: Logbook, bowler: Bowler, last: date) -> None:
    """The player with height and consent. Under 18 a parent's; some end soon or are over, some allow numbers alone."""
    young = bowler.age < 18
    log.add_player(bowler.shown_name, bowler.arm, last.year - bowler.age - 1,
                   f"u{bowler.age + 1}" if young else "adult", bowler.height_m, bowler.id)
    keep = "numbers" if bowler.number % 7 == 3 else "clips"
    until = {1: last + timedelta(days=10), 2: last - timedelta(days=30)}.get(bowler.number % 10)
    if bowler.number % 11 != 5:
        log.add_consent(bowler.id, keep, "parent" if young else bowler.shown_name, "parent" if young else "player",
                        until=until)
    log.add_zero(bowler.id, 179.0, 0.8)


def _sit(log: Logbook, sitting: Sitting, program: int, setup: int, rng: np.random.Generator) -> None:
    bowler, plan = sitting.bowler, sitting.plan
    focus = bowling.gate(bowler)
    cue = FocusCue(focus.measure, focus.at_least, focus.at_most) if plan else FocusCue()
    session = log.start_session(bowler.id, "coach", "the invented net", program, setup, cue, plan and str(plan))
    blocks = [log.add_block(session, b.kind, b.balls) for b in plan.blocks] if plan else []
    bowled = bowling.session(bowler, plan, sitting.balls, sitting.part, sitting.radar, rng)
    start_ns, of = log.clock.now_ns(), log.session(session)
    with log.writing("to log an invented session") as db:
        for n, one in enumerate(bowled):
            wall = sitting.wall + timedelta(seconds=BETWEEN_S * (n + 1))
            thrown_ns = start_ns + (n + 1) * BETWEEN_S * NS
            cued = one.feedback != "none"
            row = {"session": session, "player": bowler.id, "number": n + 1, "source": one.source,
                   "block": blocks[plan.at(n + 1).ordinal - 1] if plan else None,
                   "thrown_utc": wall.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
                   "utc_offset_min": of["utc_offset_min"], "thrown_ns": thrown_ns, "program": program, "setup": setup,
                   "feedback": one.feedback, "ball_speed_km_h": one.ball_speed_km_h,
                   "release_to_verdict_s": 0.9 if one.ball.verdict else None} | rows.to_row(one.ball)
            if cued:
                asked_ns, heard_ns = thrown_ns + NS * 3 // 2, thrown_ns + NS * 3 // 2 + NS // 50
                row |= {"cue_kind": one.ball.verdict, "cue_asked_ns": asked_ns, "cue_heard_ns": heard_ns,
                        "release_to_cue_s": (heard_ns - thrown_ns) / NS}
            names = ", ".join(row)
            id = db.execute(f"insert into ball ({names}) values ({', '.join('?' * len(row))})",
                            list(row.values())).lastrowid
            if cued:
                db["feedback"].insert({"ball": id, "kind": "cue", "asked_ns": asked_ns, "happened_ns": heard_ns,
                                       "way": "sound"})
    log.clock.turn_to(sitting.wall + timedelta(seconds=BETWEEN_S * (sitting.balls + 2)))
    log.end_session(session)
    log.clock.turn_to(sitting.wall)
