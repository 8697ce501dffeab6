"""Faces: what the screen says of a seat and of its balls, as views in words. It decides nothing and draws nothing."""
from __future__ import annotations

import dataclasses
from typing import Sequence

import numpy as np

from creaseside.ball import Ball, Value
from creaseside.focus import judge
from creaseside.plan import GIVEN_IN, OVER
from creaseside.workload import Use
from kiosk import gate
from kiosk.scenes.view import Gate, View
from kiosk.seat import Seat, Taken
from kiosk.texts import Texts

SPELL = "spell_balls"
REACHED = {SPELL: "limit_spell", "day_balls": "limit", "week_balls": "limit_week", "days_in_7": "limit_days",
           "days_in_row": "limit_days"}


def between(seat: Seat, texts: Texts, next_name: str = "") -> View:
    """Who is up, the ball to come, the one cue: the screen between balls."""
    bowler, spot = seat.bowler, seat.stint.spot
    name, note = texts.block(spot.kind) if seat.stint.planned else ("", "")
    cue = _cue(seat, texts, spot.kind, note)
    return View(player=bowler.name, arm=bowler.arm, ball=seat.stint.balls, block=name, block_note=cue or note,
                block_ball=spot.ball, block_balls=spot.balls, cue=cue,
                last=seat.marks[-OVER:], next_player=next_name, under_18=bowler.under_18, live=True,
                load=_load(seat, texts))


def _cue(seat: Seat, texts: Texts, kind: str, note: str) -> str:
    """The cue where there is feedback, else what the block is for; at a limit, or where somebody hurts, that."""
    if seat.stopped:
        return texts.say("pain")
    if seat.limit:
        return texts.say(REACHED[seat.limit.limit])
    if kind not in GIVEN_IN:
        return note
    if seat.focus is None:
        return ""
    return seat.cue.words or texts.cue(seat.cue.measure, seat.bowler.age)


def _load(seat: Seat, texts: Texts) -> str:
    """What is near or at its limit, in one line; "" while nothing is."""
    load = seat.load
    worst = load.worst if load else None
    if worst is None or worst.state not in ("near", "at_limit"):
        return ""
    return use(worst, texts) + " · " + texts.say("ask_your_board")


def use(one: Use, texts: Texts) -> str:
    return texts.say(f"load_{one.limit}", used=one.used, allowed=one.allowed)


def limit(seat: Seat, texts: Texts, next_name: str = "") -> View:
    """The limit that is reached (the seat has one), and what it asks for."""
    view, worst = between(seat, texts, next_name), seat.limit
    said = REACHED[worst.limit]
    fields = {"balls": seat.load.day_balls if worst.limit == "day_balls" else worst.used, "load": use(worst, texts),
              "minutes": round(seat.table.gap_min)}
    return dataclasses.replace(view, word=texts.say(said), question=texts.say(said + "_note", **fields),
                               lines=(texts.say("limit_log"), texts.say("ask_your_board")))


def judged(taken: Taken, what: Ball, texts: Texts, view: View) -> View:
    """A ball's verdict in words and as a picture; without a focus the ball alone."""
    seat, cue = taken.seat, taken.cue
    if cue is None or what.verdict is None:
        return view
    if taken.given.over:
        return _over(taken, seat.values, texts, view)
    found = what[cue.measure]
    return _verdict(taken, found, what.verdict if found else None, texts, view)


def _over(taken: Taken, values: Sequence[Value], texts: Texts, view: View) -> View:
    """The last over as one: its mean, and how sure that is."""
    seen = np.array([v.value for v in values[-OVER:] if v])
    if len(seen) < 2:
        return view
    mean = Value(float(seen.mean()), float(seen.std(ddof=1) / np.sqrt(len(seen))))
    shown = _verdict(taken, mean, judge(gate.focus(taken.cue), mean), texts, view)
    return dataclasses.replace(shown, note=texts.say("over"))


def _verdict(taken: Taken, found: Value, verdict: str | None, texts: Texts, view: View) -> View:
    cue, age = taken.cue, taken.seat.bowler.age
    value, sd = (found.value, found.sd) if found else (None, None)
    drawn = Gate.of(cue.at_least, cue.at_most, value, sd, texts.left_is_high(cue.measure))
    return dataclasses.replace(
        view, verdict=verdict or "not seen", gate=drawn, ends=texts.ends(cue.measure, age),
        word=texts.verdict(cue.measure, verdict, value, cue.at_least, cue.at_most, age),
        value=texts.number(cue.measure, value, sd, age))
