"""Front: what people in front of the kiosk get and do between balls: each ball's feedback as its plan has it, and what a
button, a typed speed or a card does at once. The coach's menu has a room of its own (kiosk/desk).

Nothing in here waits: it is called in the loop's own turn.
"""
from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Callable

from creaseside.ball import Value
from creaseside.orders import Cue, Log, Show
from creaseside.stamps import NS
from kiosk import faces
from kiosk.board import Board
from kiosk.cuttings import Cutting
from kiosk.faults import Fault
from kiosk.inputs import Press
from kiosk.logbook import Logbook
from kiosk.scorer import Scorer
from kiosk.seat import Taken
from kiosk.speaker import Speaker
from kiosk.texts import Texts
from kiosk.turns import Turns

if TYPE_CHECKING:
    from kiosk.checkin import CheckIn
    from kiosk.desk import Desk
    from kiosk.desk.page import Maker

AGAIN_NS = NS                # how often limits and bands are looked at
GONE_ON = ("confirm", "cancel", "next_player", "replay")     # leave a screen that waits for somebody


@dataclasses.dataclass(frozen=True, slots=True)
class _Latest:
    """The ball that a replay, a word on request or a speed would be for."""

    taken: Taken
    row: Callable[[], int | None]
    ball: int | None = None
    show: Show | None = None
    cutting: Cutting | None = None


class Front:
    """typed: the digits of a speed so far, with its unit."""

    def __init__(self, turns: Turns, board: Board, texts: Texts, log: Logbook, speaker: Speaker, scorer: Scorer,
                 typed: Callable[[], str] = lambda: "") -> None:
        self.turns, self.board, self.texts, self.log = turns, board, texts, log
        self._speaker, self._scorer, self._typed = speaker, scorer, typed
        self.desk: Desk | None = None
        self.pain: Maker | None = None
        self.checkin: CheckIn | None = None
        self._latest: _Latest | None = None
        self._limits: dict[str | None, str] = {}         # by player: the limit that was said
        self._due_ns = 0
        self._next: tuple[str | None, str] = None, ""
        self._face()
        self._open()

    def _open(self) -> None:
        """What whoever is up from the beginning has to know first."""
        seat = self.turns.up
        if seat.stopped:
            self.board.then("pain", self._between(seat))
        elif seat.limit:
            self.board.then("limit", faces.limit(seat, self.texts, self._next_name()))
        elif seat.stint.planned:
            self.board.then("block", self._between(seat))

    # Balls

    def take(self, order: Log) -> Taken:
        """Whose ball it is, for its row."""
        return self._taken(order)

    def cue(self, order: Cue) -> None:
        if self._taken(order).sound:
            self._speaker.ask(order.kind, order.at_ns)
            self._scorer.cue(order.ball, order.kind, order.at_ns)

    def show(self, order: Show, cutting: Cutting) -> None:
        """What the player is given of the ball; then the block or the limit that it brought about."""
        taken = self._taken(order)
        if taken.seat.focus:
            taken.seat.values.append(order.what.values.get(taken.seat.focus.measure, Value.missing("not tried")))
        self._latest = _Latest(taken, lambda: self._scorer.row(order.ball), order.ball, order, cutting)
        if taken.given:
            self.board.show(order, self._view(order, cutting, taken))
        self._announce(taken)
        self._face()

    def shown(self, order: Show, now_ns: int) -> None:
        """The words, or the replay, came on."""
        taken = self._taken(order)
        words = taken.cue is not None and order.what.verdict is not None
        self._scorer.given(order.ball, "words" if words else "replay", order.at_ns, now_ns, "screen")

    def _taken(self, order: Log | Cue | Show) -> Taken:
        taken = self.turns.of(order)
        if self._latest is None or self._latest.ball != order.ball:
            self._latest = _Latest(taken, lambda: self._scorer.row(order.ball), order.ball)
        return taken

    def _view(self, order: Show, cutting: Cutting, taken: Taken):
        view = faces.judged(taken, order.what, self.texts, self._between(taken.seat))
        return view if taken.given.over else dataclasses.replace(view, replay=self.board.replay(order, cutting))

    def _announce(self, taken: Taken) -> None:
        """The next block says itself; a limit that was reached goes before it."""
        seat = taken.seat
        if seat is not self.turns.up:
            return
        if taken.spot.then is not None:
            self.board.then("block", self._between(seat))
        limit = seat.limit.limit if seat.limit else ""
        if limit and self._limits.get(seat.bowler.id) != limit:
            self.board.then("limit", faces.limit(seat, self.texts, self._next_name()))
        self._limits[seat.bowler.id] = limit

    # Time

    def tick(self, now_ns: int) -> None:
        if self.desk:
            self.desk.tick(now_ns)
        for number in self.checkin.tick(now_ns) if self.checkin else ():
            self._card(number, now_ns)
        typed = self._typed()
        self.board.typing(typed)
        if typed:
            self.board.wake(now_ns)
        if now_ns >= self._due_ns:
            self._due_ns = now_ns + AGAIN_NS
            self._look(now_ns)
        if self.turns.changed:
            self.turns.changed = False
            self._face()
            self.board.wake(now_ns)

    def _look(self, now_ns: int) -> None:
        """A rest ends a spell's limit; the baseline's numbers make the band."""
        seat = self.turns.up
        quiet = seat.stint.quiet
        seat.look()
        if seat.waits_for_band and not self.log.down and self._scorer.idle and not self._scorer.unfinished:
            self.board.note(self.texts.say("band_found" if seat.find_band() else "band_missing"))
            self.turns.ask()
        if seat.stint.quiet != quiet:
            self.turns.changed = True
            if self.board.stage.now == "limit":
                self.board.go(self.board.home, now_ns)

    # Buttons

    def pressed(self, press: Press) -> None:
        """What a button does at once; a fault of it is said in a line. While the coach is at the screen it is the coach's."""
        if self.desk and press.action == "pain":
            return self.desk.ask(self.pain, press.at_ns)
        if self.desk and self.desk.open:
            return self.desk.pressed(press)
        if self.desk and press.action == "menu":
            return self.desk.enter(press.at_ns)
        do = {"next_player": self._step, "previous_player": self._step, "replay": self._again, "skip": self._skip,
              "add_ball": self._add, "undo": self._undo, "speed": self._speed}.get(press.action)
        try:
            if self.board.stage.now in ("limit", "pain", "block") and press.action in GONE_ON:
                self.board.go(self.board.home, press.at_ns)
                if press.action != "next_player":
                    return
            if do:
                do(press)
            elif press.action == "cancel":
                self.board.go(self.board.home, press.at_ns)
        except Fault:
            self.board.note(self.texts.say("log_lost"))
        self.board.wake(press.at_ns)

    def call(self, player: str, now_ns: int) -> None:
        """A player says that they are up, with a card."""
        before = self.turns.up
        seat = self.turns.call(player, now_ns)
        if seat is not before:
            self.turns.did("next_player", lambda: self.turns.call(before.bowler.id, now_ns))
            self._arrived(now_ns)
        self.board.note(self.texts.say("checked_in", player=seat.bowler.name))

    def _card(self, number: int, now_ns: int) -> None:
        """Not while the coach is at the screen: a card on the desk is no player at the mark."""
        if self.desk and self.desk.open:
            return
        try:
            row = self.log.player_of_card(number)
            if row is None:
                return self._say("card_unknown")
            self.call(row["id"], now_ns)
        except Fault:
            self._say("log_lost")

    def stop(self, now_ns: int) -> None:
        """Somebody hurts: the session of whoever is up stops, on a broken disk too; the screen says who to see."""
        seat = self.turns.up
        try:
            seat.stop()
        except Fault:
            self._scorer.later(lambda: self.log.stop_session(seat.session, seat.stopped))
        self.turns.ask()
        self._face()
        self.board.go("pain", now_ns, self._between(seat))

    def _step(self, press: Press) -> None:
        before = self.turns.up.bowler.id
        if not self.turns.step(1 if press.action == "next_player" else -1, press.at_ns):
            return self._say("nobody_next")
        self.turns.did("next_player", lambda: self.turns.call(before, press.at_ns))
        self._arrived(press.at_ns)

    def _arrived(self, now_ns: int) -> None:
        """Somebody else is up; whoever is not to bowl today is told so."""
        self._face()
        seat = self.turns.up
        if seat.stopped:
            self.board.go("pain", now_ns, self._between(seat))
        elif seat.limit:
            self.board.go("limit", now_ns, faces.limit(seat, self.texts, self._next_name()))
        else:
            begins = seat.stint.planned and seat.stint.spot.starts
            self.board.go("block" if begins else self.board.home, now_ns, self._between(seat) if begins else None)

    def _again(self, press: Press) -> None:
        """The last ball once more, where its block has feedback; who had none of it has asked for it now."""
        latest = self._latest
        if latest is None or latest.show is None:
            return self._say("no_picture" if latest else "no_ball_yet")
        if not latest.taken.given and not latest.taken.seat.stint.may_ask():
            return self._say("not_in_block")
        if not latest.taken.given and (row := latest.row()) is not None:
            self.log.note_given(row, "on request")
        self._scorer.given(latest.ball, "replay", press.at_ns, press.at_ns, "on request")
        asked = dataclasses.replace(latest.taken, given=dataclasses.replace(latest.taken.given, word="on request"))
        view = self._view(latest.show, latest.cutting, asked)
        self.board.go("replay", press.at_ns, view)

    def _skip(self, press: Press) -> None:
        seat = self.turns.up
        if not seat.stint.planned or seat.stint.spot.balls == 0:
            return self._say("no_next_block")
        plan = seat.stint.plan
        seat.skip()
        self.turns.did("skip", lambda: seat.restore(plan))
        self._face()
        self.board.go("block", press.at_ns, self._between(seat))

    def _add(self, press: Press) -> None:
        seat = self.turns.up
        spot = seat.stint.spot
        row = seat.add()
        number, before = seat.stint.balls, self._latest
        self._latest = _Latest(Taken(seat, spot, seat.stint.given(None), None, None), lambda: row)

        def back() -> None:
            seat.take_back(number, row)
            self._latest = before
        self.turns.did("add_ball", back)
        self._say("ball_added", balls=seat.load.day_balls if seat.load else seat.stint.balls)
        self._announce(self._latest.taken)
        self.turns.ask()

    def _undo(self, press: Press) -> None:
        what = self.turns.undo()
        if what is None:
            return self._say("nothing_to_undo")
        self._face()
        self.board.go(self.board.home, press.at_ns)
        self._say("undone", what=self.texts.say("did_" + what))

    def _speed(self, press: Press) -> None:
        row = self._latest.row() if self._latest else None
        if row is None:
            return self._say("no_ball_yet")
        before = self.log.ball(row)["ball_speed_km_h"]
        self.log.note_speed(row, press.number)
        self.turns.did("speed", lambda: self.log.note_speed(row, before))
        self._say("speed_kept", speed=press.text, ball=self.log.ball(row)["number"])

    # Words

    def _say(self, key: str, **fields: object) -> None:
        self.board.note(self.texts.say(key, **fields))

    def _face(self) -> None:
        self.board.face(self._between(self.turns.up))

    def _between(self, seat):
        return faces.between(seat, self.texts, self._next_name())

    def _next_name(self) -> str:
        """Looked up once for each player who is next."""
        player = self.turns.next
        if player != self._next[0]:
            self._next = player, self.log.player(player)["shown_name"] if player else ""
        return self._next[1]
