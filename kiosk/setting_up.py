"""Setting up: the camera's picture judged, the marks placed on it by hand or by keys, looked at as lines, and kept.

It holds one question after the other and what every answer does; each can be taken back. It asks the engine what the marks
come to and puts that into words; it draws nothing and reads no clock.
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import Callable

import numpy as np

from creaseside.camera import Camera
from creaseside.pitch import LINES, MARKS
from kiosk.marks import Marks
from kiosk.picture import Judged
from kiosk.placing import Placing
from kiosk.scenes.setup import Dot, Row, Sight
from kiosk.scenes.view import Choice, Point
from kiosk.texts import Texts

SHOWN = {"front_knee_ffc_deg": ("knee", 1.0, 5.0), "approach_deg": ("approach", 1.0, 2.5),
         "stride_length_m": ("stride", 100.0, 0.06), "ffc_s": ("landing", 1000.0, 0.008)}
"""Measure: its words, what its sd is multiplied with for them, and the sd above which it is no good for a single bowler's
changes: front knees of one bowler differ by some 3 to 5 degrees from ball to ball (common practice, no source)."""
BEND = 24                  # points of a line that is drawn, since a lens may bend it
AGREE_PX = 1.6             # a mark is placed to about one (camera.MARK_SD_PX), and the fit follows it more than half-way
AGREE_PAINT_PX = 3.0       # where the paint was read the fit follows the paint


@dataclass(frozen=True, slots=True)
class Wish:
    """What a hand wants. what: an answer's action, or "take", "drag" (at: where, or by how much), "let_go", "nudge"."""

    what: str
    at: Point = (0.0, 0.0)


class SettingUp:
    """`ask`: the question that is on, "look", "place", "agree" or "kept". keep: writes the marks. put_back: undoes that."""

    def __init__(self, placing: Placing, texts: Texts, keep: Callable[[Marks], object], put_back: Callable[[], object],
                 reach_px: float = 18.0) -> None:
        self.placing, self._texts, self._keep, self._put_back = placing, texts, keep, put_back
        self._reach_px = reach_px
        self.ask = "look"
        self.over = False
        self._foreseen: tuple[Camera, float, tuple[Row, ...]] | None = None

    def do(self, wish: Wish) -> None:
        """One wish carried out; what makes no sense at this question does nothing."""
        if wish.what == "quit":
            self.over = True
        elif self.ask == "place" and wish.what in ("take", "drag", "let_go", "nudge", "next", "previous", "away", "undo"):
            self._place(wish)
        else:
            self._answer({"confirm": self._onward, "cancel": self._backward}.get(wish.what, wish.what))

    @property
    def _onward(self) -> str:
        return {"look": "place", "place": "done", "agree": "keep", "kept": "out"}[self.ask]

    @property
    def _backward(self) -> str:
        return {"look": "out", "place": "to_look", "agree": "back", "kept": "put_back"}[self.ask]

    def _answer(self, answer: str) -> None:
        asked = self.ask
        if answer == "out" and asked in ("look", "kept"):
            self.over = True
        elif (asked, answer) in (("look", "place"), ("agree", "back"), ("agree", "undo")):
            self.ask = "place"
        elif (asked, answer) == ("place", "to_look"):
            self.ask = "look"
        elif (asked, answer) == ("place", "done") and self.placing.fit.camera is not None:
            self.placing.let_go()
            self.ask = "agree" if self.placing.fit.camera is not None else "place"
        elif (asked, answer) == ("agree", "keep"):
            self._keep(self.placing.marks())
            self.ask = "kept"
        elif asked == "kept" and answer in ("put_back", "undo"):
            self._put_back()
            self.ask = "place"

    def _place(self, wish: Wish) -> None:
        on = self.placing
        if wish.what == "take":
            on.take(wish.at, self._reach_px)
        elif wish.what == "drag":
            on.drag(wish.at)
        elif wish.what == "let_go":
            on.let_go()
        elif wish.what == "nudge":
            on.nudge(wish.at)
        elif wish.what == "away":
            on.take_away()
        elif wish.what == "undo":
            on.undo()
        else:
            on.choose(1 if wish.what == "next" else -1)

    # What is to be seen

    def sight(self, frame: int | None, judged: Judged) -> Sight:
        say = self._texts.setup
        if judged.fps:                  # to whole frames, or the forecast would be asked anew with every flicker of the rate
            self.placing.fps = max(1.0, round(judged.fps))
        if self.ask == "look":
            return Sight(say("look_question"), frame, self._picture_rows(judged), (), self._lines(),
                         choices=self._choices("out:leave", "place:go_on"))
        if self.ask == "agree":
            return Sight(say("agree_question"), frame, (*self._fit_rows(), *self._foreseen_rows()), (), self._lines(),
                         choices=self._choices("back", "keep"))
        if self.ask == "kept":
            return Sight(say("kept_question"), frame, self._foreseen_rows(), (), self._lines(),
                         choices=self._choices("out", "put_back"))
        on = self.placing
        sided = on.fit.camera is None and ("left" in on.chosen or "right" in on.chosen)
        sides = (Row(say("sides"), lines=2),) if sided else ()
        at = on.marks_px.get(on.chosen) or on.guess(on.chosen)
        answers = ("undo", "away", "next", *(("done",) if on.fit.camera is not None else ()))
        return Sight(say("place_question", mark=self._texts.mark(on.chosen)), frame,
                     (*sides, *self._fit_rows(), *self._foreseen_rows()), self._dots(), self._lines(), at,
                     self._choices(*answers))

    def _choices(self, *answers: str) -> tuple[Choice, ...]:
        """action:words, or one word for both; the safe one first."""
        return tuple(Choice(a.split(":")[0], self._texts.setup(a.split(":")[-1])) for a in answers)

    def _dots(self) -> tuple[Dot, ...]:
        on, out = self.placing, []
        for name in MARKS:
            at = on.marks_px.get(name)
            if at is None and (guessed := on.guess(name)) is not None:
                out.append(Dot(guessed, "guess"))
            elif at is not None:
                out.append(Dot(at, "suspect" if name in self._suspects() else "placed"))
            if name == on.chosen and at is not None:
                out.append(Dot(at, "chosen"))
        return tuple(out)

    def _suspects(self) -> tuple[str, ...]:
        fit = self.placing.fit
        if fit.camera is None or fit.worst is None:
            return fit.suspects
        return (fit.worst[0],) if fit.worst[1] > self._agree_px else ()

    @property
    def _agree_px(self) -> float:
        return AGREE_PAINT_PX if self.placing.fit.creases else AGREE_PX

    def _lines(self) -> tuple[tuple[Point, ...], ...]:
        """The pitch's lines as the fitted camera sees them."""
        camera = self.placing.fit.camera
        if camera is None:
            return ()
        out = []
        for one, other in LINES:
            share = np.linspace(0, 1, BEND)[:, None]
            seen = camera.project(np.array(MARKS[one]) * (1 - share) + np.array(MARKS[other]) * share)
            out.append(tuple((float(x), float(y)) for x, y in seen if np.isfinite([x, y]).all() and abs(x) + abs(y) < 1e5))
        return tuple(out)

    def _picture_rows(self, judged: Judged) -> tuple[Row, ...]:
        say, rows = self._texts.setup, []
        for found in judged.findings:
            fields = {"found": round(judged.fps or 0), "asked": round(judged.asked_fps)} if found.what == "rate" else {}
            words = say(f"{found.what}_{found.word}", **fields)
            rows.append(Row(words, "hit" if found.good else "miss", 2))
        return (*rows, Row(say("shutter"), "unsure", 2))

    def _fit_rows(self) -> tuple[Row, ...]:
        say, mark, fit = self._texts.setup, self._texts.mark, self.placing.fit
        if fit.moving:
            return (Row(say("fit_moving"), "unsure"),)
        if fit.camera is not None:
            if fit.worst is None:
                return ()
            name, px = fit.worst
            read = (Row(say("paint", n=fit.creases), "hit"),) if fit.creases else ()
            if px <= self._agree_px:
                return (Row(say("fit_good", px=_digits(px)), "hit", 2), *read)
            return (Row(say("fit_worst", mark=mark(name), px=_digits(px)), "miss", 3), *read)
        if not fit.suspects or fit.suspects[0] not in MARKS:
            return (Row(say("fit_none" if len(self.placing.marks_px) >= 6 else "fit_few"), "unsure", 3),)
        one, *rest = [mark(n) for n in fit.suspects if n in MARKS]
        words = say("fit_suspects", mark=one, other=rest[0]) if rest else say("fit_suspect", mark=one)
        return (Row(words, "miss", 3 if rest else 2),)

    def _foreseen_rows(self) -> tuple[Row, ...]:
        """The forecast, and what would make it better; asked once a camera and rate."""
        camera, fps = self.placing.fit.camera, self.placing.fps
        if camera is None:
            return ()
        if self._foreseen is None or self._foreseen[0] is not camera or self._foreseen[1] != fps:
            self._foreseen = camera, fps, self._asked_rows()
        return self._foreseen[2]

    def _asked_rows(self) -> tuple[Row, ...]:
        say, foreseen = self._texts.setup, self.placing.forecast()
        rows = [Row(say("usual_error"))]
        for name, (words, times, most) in SHOWN.items():
            sd = foreseen.sd(name)
            rows.append(Row(say(f"no_{words}"), "miss", 2) if sd is None else
                        Row(say(words, x=_digits(sd * times)), "hit" if sd <= most else "miss"))
        if self.placing.fit.moving:
            return tuple(rows)
        hints = [say({"back": "back_off"}.get(a.what, a.what)) for a in self.placing.advice()[:2]]
        return (*rows, Row(say("better", what=", ".join(hints)), "unsure", 2)) if hints else tuple(rows)


def _digits(x: float) -> str:
    """Two figures at the most: the forecast itself is good to about a quarter."""
    return f"{x:.0f}" if x >= 9.95 else f"{x:.1f}"
