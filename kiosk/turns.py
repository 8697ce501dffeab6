"""Turns: who is up and who comes next; which ball is whose, also while it is still measured when the next player is up.

It keeps the list, tells the engine what is asked now, and remembers what was done so that one key undoes it. What a seat
does with its balls is the seat's business.
"""
from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Callable

from creaseside.focus import Focus
from creaseside.orders import Cue, Log, Show
from creaseside.stamps import to_ns
from kiosk.faults import Fault
from kiosk.seat import Seat, Taken

KEPT = 12              # changes of turn, balls and undoings that are remembered
Do = Callable[[], object]


@dataclass(frozen=True, slots=True)
class _Change:
    """From that moment on this seat is up."""

    from_ns: int
    seat: Seat


class Turns:
    """seat_of: makes a player's seat (None: the guest's). ask: tells the engine what is asked of whoever bowls now.
    cue_delay_ns: between a release and its cue."""

    def __init__(self, players: list[str | None], seat_of: Callable[[str | None], Seat],
                 ask: Callable[[Focus | None, str | None], object], cue_delay_ns: int) -> None:
        self._seat_of, self._ask, self._delay_ns = seat_of, ask, cue_delay_ns
        self._seats: dict[str | None, Seat] = {}
        self.order: list[str | None] = list(players) or [None]
        self._changes: deque[_Change] = deque([_Change(0, self._seat(self.order[0]))], KEPT)
        self._taken: dict[int, Taken] = {}
        self._undo: deque[tuple[str, Do]] = deque(maxlen=KEPT)
        self.last: Taken | None = None
        self.changed = True           # since whoever draws has looked

    # Who

    @property
    def up(self) -> Seat:
        return self._changes[-1].seat

    @property
    def seats(self) -> list[Seat]:
        """In their order, of those who have been up; the others are seated when they come."""
        return [self._seats[p] for p in self.order if p in self._seats]

    @property
    def next(self) -> str | None:
        """The id of whoever follows; None where nobody does."""
        here = self.order.index(self.up.bowler.id) if self.up.bowler.id in self.order else -1
        other = self.order[(here + 1) % len(self.order)]
        return other if other != self.up.bowler.id else None

    def call(self, player: str | None, now_ns: int) -> Seat:
        """That player is up now, wherever in the list; at its end where they were not in it. A guest makes room."""
        before = self.up
        seat = self._seat(player)
        seat.session                      # opened before the first ball: a full disk is said now
        if player is not None:
            self.order = [p for p in self.order if p is not None]
        if player not in self.order:
            self.order.append(player)
        if seat is not before:
            self._changes.append(_Change(now_ns, seat))
            self.ask()
        return seat

    def step(self, by: int, now_ns: int) -> bool:
        """The next player in the list, or the one before. False where there is nobody else."""
        here = self.order.index(self.up.bowler.id) if self.up.bowler.id in self.order else 0
        before, player = self.up.bowler.id, self.order[(here + by) % len(self.order)]
        if player == before:
            return False
        self.call(player, now_ns)
        return True

    def add(self, player: str) -> None:
        if player not in self.order:
            self.order.append(player)
            self.changed = True

    def remove(self, player: str | None, now_ns: int) -> None:
        """Out of the list; whoever is up makes room for the next, the last one for the guest."""
        if self.up.bowler.id == player and not self.step(1, now_ns):
            self.order.append(None)
            self.call(None, now_ns)
        self.order = [p for p in self.order if p != player] or [None]
        self.changed = True

    def again(self, player: str) -> None:
        """What is known of a player has changed: the seat says so from now on."""
        if player in self._seats:
            self._seats[player].meet()
            self.ask()

    def ask(self) -> None:
        """Tell the engine what is asked now, and whoever draws that something has changed."""
        self._ask(self.up.focus, self.up.bowler.arm)
        self.changed = True

    # Balls

    def of(self, order: Log | Cue | Show) -> Taken:
        """The ball of that order in its seat: of whoever was up at its release. Asked again it says the same."""
        if order.ball not in self._taken:
            verdict = order.kind if isinstance(order, Cue) else order.what.verdict
            seat = self._at(self._released_ns(order))
            self._taken[order.ball] = self.last = seat.ball(verdict)
            for old in list(self._taken)[:-KEPT]:
                del self._taken[old]
            self.changed = True
        return self._taken[order.ball]

    def _released_ns(self, order: Log | Cue | Show) -> int:
        if isinstance(order, Cue):
            return order.at_ns - self._delay_ns
        when = next((order.what[name].value for name in ("br_s", "ffc_s", "bfc_s") if order.what[name]), None)
        return order.first_ns if when is None else to_ns(when)

    def _at(self, t_ns: int) -> Seat:
        return next((c.seat for c in reversed(self._changes) if c.from_ns <= t_ns), self._changes[0].seat)

    def _seat(self, player: str | None) -> Seat:
        if player not in self._seats:
            self._seats[player] = self._seat_of(player)
        return self._seats[player]

    # Taking back

    def did(self, what: str, undo: Do) -> None:
        """Something that one key takes back; what: a key of the texts."""
        self._undo.append((what, undo))
        self.changed = True

    def undo(self) -> str | None:
        """Take the latest thing back; what it was, None where there is nothing."""
        if not self._undo:
            return None
        what, undo = self._undo.pop()
        undo()
        self.ask()
        return what

    def close(self) -> None:
        for seat in self._seats.values():
            try:
                seat.end()
            except Fault:                 # the log has said why; the session stays open in it
                pass
