"""Desk: the coach at the screen: a question a page, by keyboard, mouse, touch, presenter or foot switch alike.

The player's buttons go up and down and choose while it is open; a digit or a letter goes into the field where there is
one. The pages are in the other rooms of this folder; this one leafs through them, and lets nobody past the PIN.
"""
from __future__ import annotations

from typing import Callable

from kiosk.board import Board
from kiosk.desk.page import BACK, CLOSE, LETTERS, Answer, Field, Maker, Page
from kiosk.faults import Fault
from kiosk.inputs import Inputs, Press
from kiosk.pin import Pin
from kiosk.scenes.view import Choice, View
from kiosk.texts import Texts

STEPS = {"next_player": 1, "previous_player": -1}
CHOOSE = ("confirm", "replay")
AWAY = ("cancel", "menu")


class Desk:
    """root: the first page behind the PIN. aside: does what takes long (a PIN's hash)."""

    def __init__(self, board: Board, inputs: Inputs, texts: Texts, pin: Pin,
                 aside: Callable[[Callable[[], None]], object]) -> None:
        self._board, self._inputs, self._texts, self._pin, self._aside = board, inputs, texts, pin, aside
        self.root: Maker | None = None
        self.learning: str | None = None        # the action for which the page that is on waits for a button
        self._stack: list[Maker] = []
        self._page: Page | None = None
        self._cursor, self._text, self._said = 0, "", ""
        self._answer: list[Callable[[], object]] = []       # what a job aside came to

    @property
    def open(self) -> bool:
        return bool(self._stack)

    # Coming and going

    def enter(self, now_ns: int) -> None:
        """Somebody wants the coach's menu: the PIN first, where one is set."""
        try:
            known = self._pin.is_set
        except Fault:
            return self._board.note(self._texts.say("pin_broken"))
        if not known:
            self._said = self._texts.say("pin_none")
        self.ask(self._pin_page if known else self.root, now_ns)

    def ask(self, maker: Maker, now_ns: int) -> None:
        """A question that needs no PIN."""
        self._stack = [maker]
        self._board.held = True
        self._show(now_ns)

    def leave(self, now_ns: int) -> None:
        if self._board.stage.now == "ask":
            self._board.go(self._board.home, now_ns)
        self._forget()

    def say(self, text: str) -> None:
        """A line on the page that comes next."""
        self._said = text

    def wait(self, job: Callable[[], object], then: Callable[[object], object]) -> None:
        """Do a job that takes long beside the loop; `then` is given what it came to, or its Fault."""
        def done() -> None:
            try:
                found: object = job()
            except Fault as fault:
                found = fault
            self._answer.append(lambda: then(found))
        self._aside(done)

    # The loop's turn

    def tick(self, now_ns: int) -> None:
        while self._answer:
            here, step = self.open, self._answer.pop(0)()
            if here:
                self._go(step, now_ns)
        if self.learning and self._inputs.learning is None:
            self.say(self._texts.say("learned"))
            self._go(BACK, now_ns)
        if self.open and self._board.stage.now != "ask":      # nobody answered, or a screen of more weight came
            self._forget()

    def pressed(self, press: Press) -> None:
        now_ns, page = press.at_ns, self._page
        if press.action in STEPS:
            self._cursor = (self._cursor + STEPS[press.action]) % max(1, len(page.answers))
            self._draw(now_ns)
        elif press.action.startswith("answer "):
            self._choose(int(press.action.split()[1]), now_ns)
        elif press.action in CHOOSE:
            if page.field and press.action == "confirm" and self._text and not self._cursor:
                self._choose(len(page.answers) - 1, now_ns)       # done
            else:
                self._choose(self._cursor, now_ns)
        elif press.action in AWAY:
            self._go(BACK, now_ns)
        elif page.field:
            self._type(press, now_ns)

    def _choose(self, number: int, now_ns: int) -> None:
        if number < len(self._page.answers):
            self._cursor = number
            try:
                self._go(self._page.answers[number].do(), now_ns)
            except Fault:
                self._said = self._texts.say("not_done")
                self._show(now_ns, anew=False)

    def _type(self, press: Press, now_ns: int) -> None:
        added = press.text if press.action == "write" else str(press.number) if press.action == "digit" else ""
        if press.action == "undo":
            self._text = self._text[:-1]
        self._text = (self._text + added)[:self._page.field.most]
        self._draw(now_ns)

    def _go(self, step: object, now_ns: int) -> None:
        if step == CLOSE or (step == BACK and len(self._stack) == 1):
            return self.leave(now_ns)
        if step == BACK:
            self._stack.pop()
        elif callable(step):
            self._stack.append(step)
        self._show(now_ns, anew=step is not None)

    def _show(self, now_ns: int, anew: bool = True) -> None:
        """The page on top, made anew, since what it says may have changed."""
        self._unlearn()
        self._page = self._typing(self._stack[-1]())
        if anew:
            self._cursor, self._text = 0, ""
        field = self._page.field
        self._inputs.mode = "writing" if field and field.signs == LETTERS else "asking"
        if self.learning:
            self._inputs.learn(self.learning)
        self._draw(now_ns)
        self._said = ""

    def _typing(self, page: Page) -> Page:
        """A field's signs as answers, for who has no keyboard; the page's own first answer leads out of it."""
        if not (field := page.field):
            return page
        say = self._texts.say

        def press(sign: str) -> Callable[[], None]:
            return lambda: self._set((self._text + sign)[:field.most])
        signs = [Answer(sign, press(sign)) for sign in field.signs]
        space = [Answer(say("key_space"), press(" "))] if field.signs == LETTERS else []
        more = [*space, Answer(say("key_delete"), lambda: self._set(self._text[:-1])),
                Answer(say("key_done"), lambda: field.done(self._text) if self._text else None)]
        return Page(page.question, (*page.answers, *signs, *more), page.lines, 8 if space else 5, field)

    def _set(self, text: str) -> None:
        self._text = text

    def _draw(self, now_ns: int) -> None:
        page = self._page
        typed = ""
        if page.field:
            typed = ("•" * len(self._text) if page.field.hidden else self._text) + "_"
        lines = tuple(t for t in (self._said, *page.lines) if t)
        choices = tuple(Choice(f"answer {i}", answer.words) for i, answer in enumerate(page.answers))
        question = f"{page.question} · {self._said}" if typed and self._said else page.question
        self._board.go("ask", now_ns, View(question=question, choices=choices, cursor=self._cursor, typed=typed, lines=lines,
                                           in_a_row=page.in_a_row))

    def _forget(self) -> None:
        self._stack, self._page, self._text, self._said = [], None, "", ""
        self._inputs.mode, self._board.held = "bowling", False
        self._unlearn()

    def _unlearn(self) -> None:
        self.learning = None
        self._inputs.unlearn()

    # The PIN

    def _pin_page(self) -> Page:
        wait_s = self._pin.wait_s
        question = self._texts.say("pin_wait", seconds=wait_s) if wait_s else self._texts.say("pin")
        return Page(question, (Answer(self._texts.say("menu_back"), lambda: BACK),), (), 0, Field(self._try, hidden=True))

    def _try(self, text: str) -> None:
        self.wait(lambda: self._pin.check(text), self._tried)

    def _tried(self, right: object) -> object:
        if right is True:
            self._stack = []
            return self.root
        self._text = ""
        self.say(self._texts.say("pin_wrong"))
        return None
