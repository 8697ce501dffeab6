"""Pages: the coach's first page, and the short ones: the day's balls, buttons, the PIN, and the question about pain."""
from __future__ import annotations

from dataclasses import dataclass
from typing import Callable

from kiosk import faces
from kiosk.desk import Desk
from kiosk.desk.page import BACK, CLOSE, Answer, Field, Page
from kiosk.faults import Fault
from kiosk.front import Front
from kiosk.inputs import Inputs, Press
from kiosk.pin import Pin
from kiosk.voice import Voice

LEARNED = ("next_player", "previous_player", "replay", "skip", "add_ball", "pain", "menu", "undo", "confirm", "cancel")


@dataclass(frozen=True, slots=True)
class Office:
    """What the pages are about, and what they do it with."""

    desk: Desk
    front: Front
    inputs: Inputs
    pin: Pin
    voice: Voice
    now_ns: Callable[[], int]

    @property
    def turns(self):
        return self.front.turns

    @property
    def log(self):
        return self.front.log

    def say(self, key: str, **fields: object) -> str:
        return self.front.texts.say(key, **fields)

    def back(self) -> Answer:
        return Answer(self.say("menu_back"), lambda: BACK)

    def press(self, action: str) -> Callable[[], str]:
        """The same as the button, and the coach's page is gone."""
        def do() -> str:
            self.desk.leave(self.now_ns())
            self.front.pressed(Press(action, self.now_ns()))
            return CLOSE
        return do


class Pages:
    """players, focus, plan: the makers of those pages."""

    def __init__(self, office: Office, players, focus, plan) -> None:
        self._o, self._players, self._focus, self._plan = office, players, focus, plan

    def root(self) -> Page:
        o = self._o
        pages = {"menu_players": self._players, "menu_focus": self._focus, "menu_plan": self._plan,
                 "menu_balls": self.balls, "menu_buttons": self.buttons, "menu_pin": self.new_pin}
        answers = [Answer(o.say(key), lambda page=page: page) for key, page in pages.items()]
        presses = [Answer(o.say(f"menu_{action}"), o.press(action)) for action in ("skip", "add_ball", "undo")]
        seat = o.turns.up
        stop = Answer(o.say("menu_go_on"), self._go_on) if seat.stopped else Answer(o.say("menu_pain"), lambda: self.pain)
        who = seat.bowler.name or o.say("guest")
        return Page(o.say("menu_of", player=who), (o.back(), *answers, *presses, stop), (), 3)

    def _go_on(self) -> str:
        """Stopped by mistake, or a grown-up says that it is well: that is for the coach."""
        self._o.turns.up.stop(False)
        self._o.turns.ask()
        return CLOSE

    def pain(self) -> Page:
        """The first answer is the safe one: to stop."""
        o = self._o

        def stop() -> str:
            o.desk.leave(o.now_ns())
            o.front.stop(o.now_ns())
            return CLOSE
        return Page(o.say("pain_question"), (Answer(o.say("pain_yes"), stop), Answer(o.say("pain_no"), lambda: CLOSE)))

    def balls(self) -> Page:
        """What was bowled against the guidance, whose it is, and that it is the board's to say."""
        o, seat = self._o, self._o.turns.up
        load, texts = seat.load, self._o.front.texts
        if load is None:
            lines = (o.say("load_guest"),)
        elif not load.uses:
            lines = (o.say("load_today", balls=load.day_balls, week=load.week_balls), o.say("load_none"))
        else:
            lines = (*(faces.use(one, texts) for one in load.uses),
                     o.say("load_table", name=seat.table.name, day=seat.table.dated.isoformat()))
        return Page(o.say("menu_balls"), (o.back(), Answer(o.say("menu_add_ball"), o.press("add_ball"))), lines, 2)

    def buttons(self) -> Page:
        o = self._o
        answers = [Answer(o.say(f"do_{action}"), lambda action=action: self._learn(action)) for action in LEARNED]
        return Page(o.say("menu_buttons"), (o.back(), *answers), (), 3)

    def _learn(self, action: str):
        o = self._o

        def page() -> Page:
            o.desk.learning = action
            return Page(o.say("press_now", what=o.say(f"do_{action}")), (o.back(),))
        return page

    def new_pin(self) -> Page:
        o = self._o
        return Page(o.say("pin_new"), (o.back(),), (), 0, Field(lambda text: lambda: self._pin_again(text), hidden=True))

    def _pin_again(self, first: str) -> Page:
        o = self._o

        def done(second: str) -> object:
            if first != second:
                o.desk.say(o.say("pin_differs"))
                return BACK
            o.desk.wait(lambda: o.pin.set(first), kept)
            return None

        def kept(found: object) -> str:
            o.front.board.note(o.say("pin_short" if isinstance(found, Fault) else "pin_set"))
            return CLOSE
        return Page(o.say("pin_again"), (o.back(),), (), 0, Field(done, hidden=True))
