"""Seat: one player's place in a session: who it is, the focus, the plan and how far it went, the day's balls, the log's rows.

A seat has its own session in the log, so that a session is one player's, with one focus and one plan. It is told of
balls and of what the coach wants; it shows nothing and plays nothing.
"""
from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from creaseside import workload
from creaseside.ball import Value
from creaseside.focus import Focus
from creaseside.plan import FeedbackSchedule, Given, Plan, Spot
from creaseside.settings import FocusCue
from creaseside.stint import FREE, Stint
from kiosk import gate
from kiosk.faults import Fault
from kiosk.logbook import Logbook
from kiosk.texts import age_of_words

NIGHT = timedelta(hours=4)         # nobody bowls on after such a pause and midnight between: it is another session
REMEMBER = timedelta(days=30)      # no guidance looks back further than a week; days in a row may go on beyond it


@dataclass(frozen=True, slots=True)
class Bowler:
    """Who bowls. id None: a guest, who counts as under 18. age: of words."""

    id: str | None = None
    name: str = ""
    arm: str | None = None
    under_18: bool = True
    age: str = "teen"

    @classmethod
    def of(cls, log: Logbook, player: str | None) -> Bowler:
        if player is None:
            return cls()
        row = log.player(player)
        return cls(row["id"], row["shown_name"], row["arm"], row["under_18"],
                   age_of_words(row["age_group"], row["birth_year"], log.today().year))


@dataclass(frozen=True, slots=True)
class Whose:
    """What a ball's row says beside its numbers."""

    session: str
    player: str | None = None
    block: int | None = None
    feedback: str = "none"
    measure: str | None = None


@dataclass(frozen=True, slots=True)
class Taken:
    """A ball in its seat: where in the plan it was, what is given for it, and what it was judged by."""

    seat: Seat
    spot: Spot
    given: Given
    cue: FocusCue | None
    whose: Whose

    @property
    def sound(self) -> bool:
        """Whether it has a cue of its own: an over as a whole has words alone."""
        return bool(self.given) and not self.given.over


class Seat:
    """program, setup: the log's rows that its sessions trace to. table: of guidance; a guest is held to none, since
    several people may have bowled as the guest."""

    def __init__(self, log: Logbook, bowler: Bowler, cue: FocusCue | None = None, table: workload.Table | None = None,
                 program: int | None = None, setup: int | None = None) -> None:
        self.log, self.bowler, self.cue = log, bowler, cue
        self.stint = Stint()
        self.marks: tuple[str, ...] = ()
        self.values: list[Value] = []             # of the focus, ball by ball, for an over as a whole
        self._traces = {"program": program, "setup": setup}
        self.age = gate.age(log, bowler.id)
        self.guidance = table
        self._session: str | None = None
        self._blocks: dict[tuple[int, str], int] = {}
        self._plan, self._day = FREE, self._wall().date()
        today = self._day
        self._thrown = log.thrown(bowler.id, today - REMEMBER) if bowler.id else []
        self.stopped = bool(bowler.id) and log.stopped(bowler.id, today)
        self.waits_for_band = False
        self.look()

    # Reading

    @property
    def focus(self) -> Focus | None:
        return gate.focus(self.cue)

    @property
    def session(self) -> str:
        """Its session in the log, begun when it is first asked for."""
        if self._session is None:
            plan = str(self.stint.plan) if self.stint.planned else None
            self._session = self.log.start_session(self.bowler.id, focus=self.cue or FocusCue(), plan=plan, **self._traces)
        return self._session

    @property
    def load(self) -> workload.Load | None:
        """What was bowled against the guidance; None for a guest."""
        if self.table is None:
            return None
        thrown = [workload.Bowled(when) for when in self._thrown]
        return workload.load(thrown, self._wall(), self.age, self.table)

    @property
    def limit(self) -> workload.Use | None:
        """The limit that is reached."""
        worst = (load := self.load) and load.worst
        return worst if worst and worst.state == "at_limit" else None

    @property
    def table(self) -> workload.Table | None:
        return self.guidance if self.bowler.id else None

    def meet(self) -> None:
        """What is known of the player has changed in the log."""
        self.bowler, self.age = Bowler.of(self.log, self.bowler.id), gate.age(self.log, self.bowler.id)
        self.look()

    def look(self) -> None:
        """Whether anything is given just now: a spell's limit is over after a rest, and a day's on the next."""
        wall = self._wall().replace(tzinfo=None)
        last = self._thrown[-1] if self._thrown else datetime.min
        if wall.date() > self._day and wall - last > NIGHT:
            self._new_day(wall.date())
        self.stint = replace(self.stint, quiet=self.stopped or self.limit is not None)

    # What happens

    def ball(self, verdict: str | None, seen: bool = True) -> Taken:
        """A ball was bowled, or (not seen) is added by hand."""
        spot, given = self.stint.spot, self.stint.given(verdict)
        taken = Taken(self, spot, given, self.cue, Whose(self.session, self.bowler.id, self._block(spot), given.word,
                                                       self.focus.measure if self.focus else None))
        self.stint = self.stint.bowled(verdict)
        mark = (verdict or "not seen") if given and self.focus and seen and not given.over else "counted"
        self.marks = (*self.marks, mark)
        self._thrown.append(self._wall().replace(tzinfo=None))
        if spot.kind == "baseline" and spot.then is not None and self.cue and not self.focus:
            self.waits_for_band = True
        self.look()
        return taken

    def add(self) -> int:
        """A ball that the camera missed; its row."""
        taken = self.ball(None, seen=False)
        return self.log.add_counted(taken.whose.session, player=self.bowler.id, block=taken.whose.block)

    def take_back(self, number: int, row: int) -> None:
        """Ball `number` of the stint, added by hand as that row, was none."""
        self.log.remove_counted(row)
        self.stint = self.stint.without(number)
        self.marks = self.marks[:number - 1] + self.marks[number:]
        self._thrown.pop()
        self.look()

    def stop(self, stopped: bool = True) -> None:
        """Somebody hurts, or it was pressed by mistake. That it stopped is kept, why is not; it holds whether or not the disk
        takes it."""
        self.stopped = stopped
        self.look()
        self.log.stop_session(self.session, stopped)

    # What the coach sets

    def set_focus(self, cue: FocusCue | None) -> None:
        """From the next ball on. Where balls were judged by another, the log begins another session."""
        if self._session is not None:
            if any(verdict is not None for verdict in self.stint.verdicts):
                self._new_session()
            else:
                self.log.set_focus(self._session, cue or FocusCue())
        self.cue, self.values, self.waits_for_band = cue, [], False

    def find_band(self) -> bool:
        """Put the posts round the baseline that was just bowled, once its numbers are in the log. Whether they are."""
        band = gate.own(self.log, self.bowler.id, self.cue.measure, self._session)
        self.waits_for_band = False
        if band:
            self.set_focus(gate.round_own(self.cue, band))
        return bool(band)

    def set_plan(self, plan: Plan | None, schedule: FeedbackSchedule | None = None) -> None:
        """From the next ball on; None: free bowling."""
        self._plan = plan or FREE
        self.stint = self.stint.on(plan or FREE) if self.stint.balls else replace(self.stint, plan=plan or FREE)
        self.stint = replace(self.stint, schedule=schedule or self.stint.schedule)
        self._note_plan()

    def skip(self) -> None:
        self.stint = self.stint.skip()
        self._note_plan()

    def restore(self, plan: Plan) -> None:
        """The plan as it was before a skip."""
        self.stint = replace(self.stint, plan=plan)
        self._note_plan()

    def end(self) -> None:
        if self._session is not None:
            self.log.end_session(self._session)

    def _note_plan(self) -> None:
        if self._session is not None:
            self.log.set_plan(self._session, str(self.stint.plan) if self.stint.planned else None)

    def _new_day(self, today: date) -> None:
        """The plan from its beginning, in a session of its own; what was stopped for a day is over."""
        self._new_session()
        self._day, self.stopped, self.marks, self.values = today, False, (), []
        self.stint = replace(self.stint, plan=self._plan, verdicts=())

    def _new_session(self) -> None:
        self.end()
        self._session, self._blocks = None, {}

    def _block(self, spot: Spot) -> int | None:
        """The block's row; None where there is no plan."""
        if not self.stint.planned:
            return None
        key = spot.ordinal, spot.kind
        if key not in self._blocks:
            try:
                self._blocks[key] = self.log.add_block(self.session, spot.kind, spot.balls or None)
            except Fault:          # a full disk is said by whoever writes the ball, which comes next
                return None
        return self._blocks[key]

    def _wall(self) -> datetime:
        """By the clock as it was when the session began: somebody may set it a day on between two balls."""
        return self.log.wall(self._session) if self._session else self.log.clock.utc_and_ns()[0]
