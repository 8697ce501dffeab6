"""Window: the coach's pages about the focus: one measure, and the window that starts from the player's own balls.

What may be asked of whom is the engine's to say, and is asked again when the window is set: under 18 nobody is set a
straighter leg or more pace.
"""
from __future__ import annotations

from dataclasses import replace
from typing import Callable

from creaseside import plan as plans
from creaseside.ball import BY_NAME
from creaseside.focus import MEASURES, TOLERANCE, allowed_for
from creaseside.orders import CUES
from creaseside.settings import FocusCue
from creaseside.stint import Stint
from kiosk import gate
from kiosk.desk.page import BACK, CLOSE, LETTERS, Answer, Field, Page
from kiosk.desk.pages import Office
from kiosk.faults import Fault
from kiosk.texts import STEPS

A_PAGE = 5
STRAIGHT = ("approach_deg", "turn_deg", "front_foot_offset_m")     # 0 is straight down the pitch: a start without any ball
COARSE = 2                                                         # of what a screen shows: one press of less or more


class Window:
    def __init__(self, office: Office) -> None:
        self._o = office
        self._from = 0
        self._draft: FocusCue | None = None

    def focus(self) -> Page:
        """The measures in the engine's order: alignment and stability first."""
        o = self._o
        shown = MEASURES[self._from:self._from + A_PAGE]
        answers = [Answer(o.front.texts.name(m), lambda m=m: self._measure(m)) for m in shown]
        now = o.turns.up.cue
        lines = (o.say("focus_now", name=self._named(now)) if now else o.say("focus_none"),)
        none = [Answer(o.say("focus_off"), lambda: self._set(None))] if now else []
        return Page(o.say("menu_focus"), (o.back(), *answers, Answer(o.say("more"), self._leaf), *none), lines, 2)

    def _leaf(self) -> None:
        self._from = self._from + A_PAGE if self._from + A_PAGE < len(MEASURES) else 0

    def _measure(self, measure: str) -> Callable[[], Page]:
        """The draft begins at the player's own band; where there is none yet, straight down the pitch or with the baseline."""
        seat = self._o.turns.up
        cue, band = FocusCue(measure), gate.own(self._o.log, seat.bowler.id, measure, seat.session)
        if band:
            cue = gate.round_own(cue, band)
        elif measure in STRAIGHT:
            cue = replace(cue, at_least=-TOLERANCE[measure], at_most=TOLERANCE[measure])
        self._draft = cue
        return self._window

    def _window(self) -> Page:
        o, cue, seat = self._o, self._draft, self._o.turns.up
        rule = allowed_for(seat.age)[cue.measure]
        band = gate.own(o.log, seat.bowler.id, cue.measure, seat.session)
        own = self._span(gate.round_own(cue, band)) if band else ""
        lines = [o.say("window_own", span=own, balls=band.balls) if band else o.say("window_no_own", balls=band.balls)]
        lines += [o.say("window_under_18")] if rule != "free" else []
        lines += [o.say("window_is", span=self._span(cue))] if gate.focus(cue) else []
        answers = [o.back()]
        if gate.focus(cue):
            answers.append(Answer(o.say("window_set"), lambda: self._set(cue)))
        answers.append(Answer(o.say("window_baseline"), lambda: self._set(FocusCue(cue.measure, words=cue.words))))
        answers.append(Answer(cue.words or o.front.texts.cue(cue.measure, seat.bowler.age), lambda: self._words))
        if gate.focus(cue) and rule == "free":
            answers.append(Answer(o.say("window_posts"), lambda: self._posts))
        answers.append(Answer(o.say("voice"), lambda: self.voice))
        return Page(o.front.texts.name(cue.measure), tuple(answers), tuple(lines), 2)

    def voice(self) -> Page:
        """The coach's own words in place of a sound, or the kiosk's sound again."""
        o = self._o

        def one(kind: str) -> Answer:
            has = o.voice.has(kind)
            words = o.say("voice_is" if has else "voice_own", which=o.say(f"voice_{kind}"))
            return Answer(words, lambda: self._forget(kind) if has else self._record(kind))
        return Page(o.say("voice_note"), (o.back(), *map(one, CUES)), (), 1)

    def _record(self, kind: str) -> Callable[[], Page]:
        """A page that says speak; when the recording is done it goes by itself."""
        o = self._o

        def then(found: object) -> str:
            if isinstance(found, Fault):
                o.desk.say(o.say("voice_missing"))
            else:
                o.voice.use(kind)
                o.desk.say(o.say("voice_kept"))
            return BACK
        o.desk.wait(lambda: o.voice.record(kind), then)
        return lambda: Page(o.say("voice_speak"), (o.back(),))

    def _forget(self, kind: str) -> None:
        self._o.voice.forget(kind)

    def _posts(self) -> Page:
        """Each post a little down or up, or taken away; never both."""
        o, cue = self._o, self._draft
        out = [o.back()]
        step = COARSE * STEPS[BY_NAME[cue.measure].unit]
        for post in ("at_least", "at_most"):
            value = getattr(cue, post)
            if value is None:
                continue
            for way, sign in (("less", -1), ("more", 1)):
                moved = replace(cue, **{post: round(value + sign * step, 4)})
                out.append(Answer(o.say(f"{post}_{way}"), lambda moved=moved: self._move(moved)))
        if None not in (cue.at_least, cue.at_most):
            out += [Answer(o.say(f"no_{post}"), lambda post=post: self._move(replace(self._draft, **{post: None})))
                    for post in ("at_least", "at_most")]
        return Page(o.front.texts.name(cue.measure), tuple(out), (o.say("window_is", span=self._span(cue)),), 2)

    def _move(self, cue: FocusCue) -> None:
        """A gate that would be shut stays as it is."""
        if None in (cue.at_least, cue.at_most) or cue.at_least < cue.at_most:
            self._draft = cue

    def _words(self) -> Page:
        def done(text: str) -> str:
            self._draft = replace(self._draft, words=text.lower() if text.isupper() else text)
            return BACK
        return Page(self._o.say("cue_words"), (self._o.back(),), (), 0, Field(done, LETTERS, 40))

    def _set(self, cue: FocusCue | None) -> str | None:
        o, seat = self._o, self._o.turns.up
        if cue and gate.refused(o.log, seat.bowler.id, cue, seat.session):
            o.desk.say(o.say("window_refused"))
            return None
        before, plan = seat.cue, seat.stint.plan
        seat.set_focus(cue)
        if cue and not gate.focus(cue) and not _baseline_ahead(seat.stint):
            seat.set_plan(plans.usual(seat.age))       # or the posts would never come

        def back() -> None:
            seat.set_focus(before)
            seat.restore(plan)
        o.turns.did("focus", back)
        o.turns.ask()
        o.front.board.note(o.say("focus_now", name=self._named(cue)) if cue else o.say("focus_none"))
        return CLOSE

    def _named(self, cue: FocusCue) -> str:
        span = self._span(cue) if gate.focus(cue) else self._o.say("window_after")
        return f"{self._o.front.texts.name(cue.measure)}, {span}"

    def _span(self, cue: FocusCue) -> str:
        texts, say = self._o.front.texts, self._o.say
        low, high = (texts.number(cue.measure, post, None, "adult") for post in (cue.at_least, cue.at_most))
        return say("span", low=low, high=high) if low and high else say("at_least", low=low) if low else say("at_most", high=high)


def _baseline_ahead(stint: Stint) -> bool:
    """Whether the block that is on, or one that follows, is a baseline."""
    return any(block.kind == "baseline" for block in stint.plan.blocks[stint.spot.ordinal - 1:])
