"""Session page: one player's balls of one session along one axis, block by block, and whether what changed stayed."""
from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any, Mapping, Sequence
import json

from markupsafe import Markup

from creaseside.focus import MEASURES, SURE_SD
from creaseside.progress import FEWEST_BALLS, Mean, Stuck, block_mean, did_it_stick, session_mean
from kiosk.faults import Fault
from kiosk.logbook.reading import Row
from kiosk.review import charts, words
from kiosk.review.asking import Asker, Filter, local, value
from kiosk.review.look import Cell, Figure, Links, unit_word

GUEST = "guest"                  # in an address: balls of nobody in the log
MOST_BALLS = 600                 # in one picture; more than any session has (the plan's longest: ten blocks of 60)
USUAL = "front_knee_ffc_deg"     # shown where the session had no focus
HOW_MEANS = (
    "Block means: Student's t, with as many degrees of freedom as the balls are worth when each resembles the one "
    "before (lag-1 correlation, Bayley & Hammersley 1946; Marriott & Pope 1954; Zieba 2010). It assumes that within "
    "a block nothing drifts for another reason, and that errors are nearly normal. An error that all balls of a "
    "set-up share (a wrong mark, the model's own bias) is not in it.")
HOW_STUCK = (
    "Least change: Weir's (2005) 1.96 · √2 · SEM / √n, with Student's t in place of 1.96 and the balls' worth in "
    "place of n. The SEM is the scatter of balls about their block's mean, never less than their own measuring error.")


@dataclass(frozen=True, slots=True)
class Part:
    """One block of the session as this player bowled it; first and last: places in the row of balls, from 0."""

    kind: str | None
    first: int
    last: int
    mean: Mean


def view(log: Asker, session: str, player: str | None, measure: str | None, wanted: Filter, links: Links) \
        -> dict[str, Any]:
    """What the template wants. player: an id, GUEST, or None for the first who bowled. Fault where there is none."""
    of = log.session(session)
    bowlers = log.bowlers(session)
    who = _chosen(player, bowlers, of)
    balls = log.session_balls(session, who, wanted)[-MOST_BALLS:]
    focus = of["measure"]
    measure = measure if measure in MEASURES else focus or USUAL
    parts = _parts(balls, measure)
    before, alone = ([b for b in balls if b["block_kind"] == kind] for kind in ("baseline", "no_feedback"))
    person = log.player(who) if who else None
    names = {p: log.player(p)["shown_name"] if p else "A guest" for p in bowlers}
    query = {"player": who or (GUEST if bowlers else None), "measure": measure}
    return {
        "session": of, "at": local(of["started_utc"], of["utc_offset_min"]), "player": person, "who": names.get(who),
        "others": [(names[p], links.session(session, measure=measure, player=p or GUEST)) for p in bowlers if p != who],
        "measures": [(words.name(m), links.session(session, measure=m, player=query["player"]), m == measure)
                     for m in MEASURES],
        "measure": measure, "gate": focus and words.gate(focus, of["at_least"], of["at_most"]), "focus": focus,
        "balls": len(balls), "flags": _flags(balls),
        "stuck": words.stuck(measure, stuck := _stuck(before, alone, measure), 0) if before or alone else None,
        "figures": [_along(of, balls, parts, measure, links, query),
                    _every(balls, parts, before, alone, links, query, session)],
        "how_stuck": HOW_STUCK if before or alone else "", "word": stuck.word if before or alone else None,
        "traces": _origin(log, balls), "stopped": of["stopped_utc"] is not None}


def _chosen(asked: str | None, bowlers: Sequence[str | None], of: Mapping[str, Any]) -> str | None:
    if asked:
        who = None if asked == GUEST else asked
        if who not in bowlers:
            raise Fault(f"the balls of {asked} in the session {of['id']}", "none", "choose who bowled in it")
        return who
    return of["player"] if of["player"] in bowlers else bowlers[0] if bowlers else of["player"]


def _parts(balls: Sequence[Row], measure: str) -> list[Part]:
    parts, first = [], 0
    for i in range(1, len(balls) + 1):
        if i == len(balls) or balls[i]["block"] != balls[first]["block"]:
            run = balls[first:i]
            parts.append(Part(run[0]["block_kind"], first, i - 1, block_mean([value(b, measure) for b in run])))
            first = i
    return parts


def _stuck(before: Sequence[Row], alone: Sequence[Row], measure: str) -> Stuck:
    return did_it_stick([value(b, measure) for b in before], [value(b, measure) for b in alone])


def _flags(balls: Sequence[Row]) -> str:
    flags = Counter(f for b in balls for f in json.loads(b["flags"]))
    flagged = sum(b["flags"] != "[]" for b in balls)
    if not flagged:
        return ""
    each = ", ".join(f"{name} ({n})" for name, n in flags.most_common())
    return f"{words.count(flagged, 'ball').capitalize()} of {len(balls)} with flags: {each}."


def _origin(log: Asker, balls: Sequence[Row]) -> str:
    """Which set-up and program the numbers came from."""
    if not balls:
        return ""
    row = log.ball(balls[-1]["id"])
    parts = []
    if row["program"]:
        program = log.program(row["program"])
        models = ", ".join(f"{name} model {hash_[:8]}" for name, hash_ in sorted(program["models"].items()))
        parts.append(f"creaseside {program['version']}{models and ', ' + models}")
    parts.append(f"camera set-up {log.setup(row['setup'])['hash'][:8]}" if row["setup"] else "no marks")
    return "; ".join(parts)


# The picture

def _along(of: Row, balls: Sequence[Row], parts: Sequence[Part], measure: str, links: Links, query: dict) -> Figure:
    judged = measure == of["measure"]
    low, high = (of["at_least"], of["at_most"]) if judged else (None, None)
    seen = sum(bool(value(b, measure)) for b in balls)
    says = (f"{words.name(measure).capitalize()}, ball by ball: {words.count(len(balls), 'ball')}, "
            f"{words.count(seen, 'of them', 'of them') if seen else 'none'} measured." if seen != len(balls) else
            f"{words.name(measure).capitalize()}, ball by ball: {words.count(len(balls), 'ball')}, all measured.")
    if judged:
        says += " " + words.verdicts(measure, [b["verdict"] for b in balls], low, high)
    says += f" The bar through each ball is {words.sure_bar()}." if seen else ""
    rows = [_ball_row(b, measure, links, query, judged) for b in balls]
    rows += [[f"mean of {words.block(p.kind)}" if p.kind else "mean", "", words.mean(measure, p.mean), "", "", ""] for p in parts
             if p.kind or len(parts) == 1]
    return Figure("balls", words.name(measure).capitalize(), says,
                  _svg(balls, parts, measure, low, high, judged, says, links, query) if seen else None,
                  ("Ball", "Block", f"{words.name(measure)} ± sd", "Verdict", "Feedback given", "Flags"), rows,
                  f"What it is: {unit_word(measure)}. {HOW_MEANS}")


def _ball_row(ball: Row, measure: str, links: Links, query: dict, judged: bool) -> list[str | Cell]:
    return [Cell(str(ball["number"]), links.ball(ball["session"], ball["number"], **query)),
            words.block(ball["block_kind"]),
            _told(ball, measure), words.VERDICTS.get(ball["verdict"], "") if judged else "",
            words.given(ball["feedback"]), ", ".join(json.loads(ball["flags"]))]


def _told(ball: Row, measure: str) -> str:
    """The number with its sd, or why there is none."""
    if v := value(ball, measure):
        return words.with_sd(measure, v)
    why = json.loads(ball["not_measured"]).get(measure)
    return f"not measured: {why}" if why else "not measured"


def _svg(balls: Sequence[Row], parts: Sequence[Part], measure: str, low: float | None, high: float | None, judged: bool,
         says: str,
         links: Links, query: dict) -> Markup:
    values = [value(b, measure) for b in balls]
    reach = [v.value + s * SURE_SD * (v.sd or 0) for v in values if v for s in (-1, 1)]
    y = charts.Scale.up([*reach, *(p for p in (low, high) if p is not None)], bottom=78)
    wide = (charts.WIDTH - charts.RIGHT - charts.LEFT) / max(len(balls), 1)
    at = [charts.LEFT + (i + 0.5) * wide for i in range(len(balls))]
    r = min(6.5, max(1.6, 0.32 * wide))
    floor = charts.HEIGHT - 78
    made = [charts.up_axis(y, words.unit(measure))]
    for i, p in enumerate(parts):
        made += _block(p, at, wide, y, floor, i, measure)
    made.append(charts.gate(y, low, high))      # over the intervals, so that its posts stay what they are
    for x, ball, v in zip(at, balls, values):
        inside = []
        if v:
            if v.sd:
                inside.append(charts.bar(x, y, v.value - SURE_SD * v.sd, v.value + SURE_SD * v.sd))
            inside.append(charts.mark(x, y(v.value), ball["verdict"] if judged else None, r))
        else:
            inside.append(charts.text(x, floor - 6, "×", class_="small unseen"))
        if ball["feedback"] not in ("none", ""):
            inside.append(charts.text(x, floor + 16, "▴", class_="given"))
        title = f"ball {ball['number']}: {_told(ball, measure)}"
        if judged and ball["verdict"]:
            title += f", {words.VERDICTS[ball['verdict']]}"
        title += f", feedback {words.given(ball['feedback'])}"
        made.append(charts.linked(links.ball(ball["session"], ball["number"], **query), title, *inside))
    step = max(1, round(len(balls) / 24))
    made += [charts.text(x, floor + 32, str(b["number"])) for x, b in list(zip(at, balls))[step - 1::step]]
    made += _key(judged, any(b["feedback"] not in ("none", "") for b in balls), not all(values), floor)
    return charts.svg(says, *made)


def _block(p: Part, at: Sequence[float], wide: float, y: charts.Scale, floor: float, place: int,
           measure: str) -> list[Markup]:
    """The block's name, its edge, and its mean with the interval."""
    left, right = at[p.first] - wide / 2, at[p.last] + wide / 2
    made = [charts.line(left, charts.TOP, left, floor + 36, "edge")] if place else []
    if p.kind:
        made.append(charts.text((left + right) / 2, floor + 50, words.block(p.kind), class_="block"))
    if p.mean:
        made += [charts.rect(left + 2, y.clipped(p.mean.low), right - 2, y.clipped(p.mean.high), "interval"),
                 charts.line(left + 2, y.clipped(p.mean.value), right - 2, y.clipped(p.mean.value), "mean")]
    return made


def _key(judged: bool, given: bool, unseen: bool, floor: float) -> list[Markup]:
    """What the signs say, below the blocks."""
    signs = ([("hit", "inside"), ("miss", "outside"), ("unsure", "too close to say")] if judged else [(None, "a ball")])
    made, x = [], float(charts.LEFT)
    for sign, word in signs:
        made += [charts.mark(x + 6, floor + 69, sign, 5), charts.text(x + 17, floor + 73, word, "start")]
        x += 34 + 8.0 * len(word)
    for sign, word, there in (("▴", "feedback given", given), ("×", "not measured", unseen)):
        if there:
            made += [charts.text(x + 6, floor + 73, sign, class_="given"),
                     charts.text(x + 17, floor + 73, word, "start")]
            x += 34 + 8.0 * len(word)
    return [*made, charts.line(x, floor + 69, x + 22, floor + 69, "mean"),
            charts.text(x + 28, floor + 73, "mean of a block and its 95 % interval", "start")]


# Every measure

def _every(balls: Sequence[Row], parts: Sequence[Part], before: Sequence[Row], alone: Sequence[Row], links: Links,
           query: dict, session: str) -> Figure:
    """A table of all measures: the mean of all balls, and baseline against no feedback where there are such blocks."""
    both = bool(before and alone)
    rows: list[list[str | Cell]] = []
    for m in MEASURES:
        row = [Cell(words.name(m), links.session(session, **(query | {"measure": m}))),
               words.brief(m, session_mean([[value(b, m) for b in balls[p.first:p.last + 1]] for p in parts]))]
        if both:
            row += [*(words.brief(m, block_mean([value(b, m) for b in some])) for some in (before, alone)),
                    _change(m, _stuck(before, alone, m))]
        rows.append(row)
    says = "The mean of every measure over all balls."
    if not any(b[m] is not None for b in balls for m in MEASURES):
        return Figure("measures", "Every measure", "No measure was taken of these balls.", None, (), [])
    if both:
        says = ("The means of every measure, and what changed from the baseline to the balls without feedback. Of so "
                "many measures one in about twenty passes its least change by chance alone; look at the one that was "
                "worked on.")
    return Figure("measures", "Every measure", says, None,
                  ("Measure", "All balls", *(("Baseline", "Without feedback", "Change") if both else ())), rows,
                  f"In brackets 95 % intervals. A mean needs {words.count(FEWEST_BALLS, 'measured ball')}. The same "
                  "formulas as above.")


def _change(m: str, of: Stuck) -> str:
    if of.reason:
        return "–"
    d = words.decimals(m, of.mdc / 10)
    sign = "+" if round(of.change, d) > 0 else ""
    word = {"changed": "more than measuring explains", "same": "as before"}.get(of.word, "cannot tell")
    return f"{sign}{words.figure(of.change, d)}{words.unit(m)} ({words.span(m, of.low, of.high)}): {word}"
