"""Player page: one player's own numbers over the weeks, their own error, growth and workload. Nobody else is on it."""
from __future__ import annotations

from collections import Counter
from datetime import date, datetime, timedelta
from itertools import groupby
from typing import Any, Iterable, Mapping, Sequence

import numpy as np
from markupsafe import Markup

from creaseside import growth
from creaseside.ball import FRONT_LEG_ACTIONS, Value
from creaseside.focus import MEASURES
from creaseside.own_best import OwnBest, own_best
from creaseside.progress import FEWEST_BALLS, Mean, session_mean
from creaseside.workload import youngest_age
from kiosk.logbook.reading import Row
from kiosk.review import charts, error_part, words
from kiosk.review.asking import Asker, Filter, local, value
from kiosk.review.calendar_part import calendar
from kiosk.review.look import Cell, Figure, Links, unit_word

SESSIONS = 60                    # the latest that are looked into at once; older ones by their dates
SEED = 20261125                  # of the resampling: the same balls give the same interval on every look
TALL = 250
# Drawn at once, with what was worked on.
FIRST = ("approach_deg", "turn_deg", "front_foot_offset_m", "front_knee_ffc_deg")
ALL = "all"                      # in an address: every measure


def view(log: Asker, player: str, measure: str | None, wanted: Filter, links: Links) -> dict[str, Any]:
    """What the template wants. Fault where there is no such player."""
    person = log.player(player)
    today = log.today()
    sessions = log.sessions_page(wanted, player, SESSIONS + 1)
    more, sessions = len(sessions) > SESSIONS, list(reversed(sessions[:SESSIONS]))
    balls = log.player_balls(player, wanted, [s["id"] for s in sessions])
    by_session = {k: list(g) for k, g in groupby(balls, lambda b: b["session"])}
    age = youngest_age(person["birth_year"], person["age_group"], today)
    young = person["under_18"]
    asked = measure if measure in (*MEASURES, ALL) else None
    worked_on = {s["measure"] for s in sessions}
    drawn = [m for m in MEASURES if asked in (m, ALL) or asked is None and (m in FIRST or m in worked_on)]
    drawn.sort(key=lambda m: m not in worked_on)
    figures = [_over_weeks(m, sessions, by_session, links, player) for m in drawn]
    return {
        "player": person, "age": age, "balls": len(balls), "sessions": len(sessions), "more": more,
        "measures": [("every one", links.player(player, measure=ALL), asked == ALL),
                     *((words.name(m), links.player(player, measure=m), m == asked) for m in MEASURES)],
        "weeks": figures, "errors": error_part.figures([asked] if asked in MEASURES else MEASURES, by_session),
        "speed": None if young else _speeds(sessions, by_session, links), "best": _best(balls, None if young else age),
        "actions": _actions(sessions, by_session), "heights": _heights(log.heights(player), age),
        "calendar": calendar(log, person, wanted, today), "looks": len(log.accesses(player)),
        "consents": log.consents(player), "list": _list(sessions, links, player)}


def _when(session: Mapping[str, Any]) -> datetime:
    return local(session["started_utc"], session["utc_offset_min"])


def _list(sessions: Sequence[Row], links: Links, player: str) -> list[list[str | Cell]]:
    return [[Cell(f"{_when(s):%Y-%m-%d %H:%M}", links.session(s["id"], player=player)), s["id"], str(s["balls"]),
             words.name(s["measure"]) if s["measure"] else "none", str(s["flagged"] or 0)] for s in reversed(sessions)]


# Over the weeks

def _over_weeks(m: str, sessions: Sequence[Row], by_session: Mapping[str, Sequence[Row]], links: Links,
                player: str) -> Figure:
    means = [(s, session_mean(_blocks(by_session.get(s["id"], ()), m))) for s in sessions]
    seen = [(s, mean) for s, mean in means if mean]
    says = f"{words.name(m).capitalize()} by session: "
    if not seen:
        says += f"no mean yet, for which it needs {words.count(FEWEST_BALLS, 'measured ball')} of a session."
    else:
        first, last = seen[0][1], seen[-1][1]
        says += f"the mean of each, warm-up left out, with its 95 % interval; {words.count(len(seen), 'session')}"
        says += f". The latest is {words.mean(m, last)}." if len(seen) == 1 else (
            f", from {words.number(m, first.value, (first.high - first.low) / 10)} on "
            f"{words.day(_when(seen[0][0]).date())} to {words.number(m, last.value, (last.high - last.low) / 10)} on "
            f"{words.day(_when(seen[-1][0]).date())}.")
    rows = [[Cell(f"{_when(s):%Y-%m-%d}", links.session(s["id"], player=player, measure=m)), words.mean(m, mean),
             words.name(s["measure"]) if s["measure"] else ""] for s, mean in reversed(means if seen else [])]
    return Figure(m, words.name(m).capitalize(), says, _weeks_svg(m, seen, says, links, player) if seen else None,
                  ("Session", "Mean", "Focus"), rows,
                  f"What it is: {unit_word(m)}. The mean of all balls, its interval from the scatter within blocks "
                  "and the order of balls (as on the session's page); it knows nothing of what all balls of one "
                  "set-up share, so a camera in another place may move them." if seen else "")


def _blocks(balls: Sequence[Row], m: str) -> list[list[Value]]:
    """Block by block, without the warm-up."""
    kept = (b for b in balls if b["block_kind"] != "warm_up")
    return [[value(b, m) for b in some] for _, some in groupby(kept, lambda b: b["block"])]


def _weeks_svg(m: str, seen: Sequence[tuple[Row, Mean]], says: str, links: Links, player: str) -> Markup:
    x = _time_scale([_when(s) for s, _ in seen])
    # One wide interval must not flatten the others.
    usual = 3 * float(np.median([of.high - of.value for _, of in seen]))
    y = charts.Scale.up([v for _, of in seen for v in (max(of.low, of.value - usual), min(of.high, of.value + usual))],
                        TALL, 40)
    made = [charts.up_axis(y, words.unit(m)), *_dates(x, TALL - 40)]
    for s, mean in seen:
        at = x(_when(s).timestamp())
        worked = s["measure"] == m
        made.append(charts.linked(
            links.session(s["id"], player=player, measure=m),
            f"{_when(s):%Y-%m-%d}: {words.mean(m, mean)}{', the focus' if worked else ''}",
            charts.bar(at, y, mean.low, mean.high), charts.mark(at, y(mean.value), "hit" if worked else None, 6)))
    made += [charts.mark(charts.LEFT + 6, TALL - 8, "hit", 5),
             charts.text(charts.LEFT + 17, TALL - 4, "session with this focus", "start"),
             charts.mark(charts.LEFT + 216, TALL - 8, None, 5),
             charts.text(charts.LEFT + 225, TALL - 4, "other sessions", "start")]
    return charts.svg(says, *made, height=TALL)


def _time_scale(times: Sequence[datetime]) -> charts.Scale:
    low, high = min(times).timestamp(), max(times).timestamp()
    room = max(0.03 * (high - low), 43200.0)
    return charts.Scale(low - room, high + room, charts.LEFT, charts.WIDTH - charts.RIGHT)


def _dates(x: charts.Scale, floor: float) -> Iterable[Markup]:
    """Days along the axis: as many as have room; over a longer time the first ones of months."""
    first, last = (datetime.fromtimestamp(t).date() for t in (x.low, x.high))
    days = max((last - first).days, 1)
    if days > 70:
        step = next((s for s in (1, 2, 3, 6, 12) if days / 30.4 / s <= 10), 12 * max(1, days // 3650))
        months = range(first.year * 12 + first.month, last.year * 12 + last.month)
        at_days = [date(m // 12, m % 12 + 1, 1) for m in months if m % step == 0]
    else:
        step = next(s for s in (1, 2, 7, 14) if days / s <= 10)
        at_days = [first + timedelta(days=n) for n in range(0, days + 1, step)]
    for day in at_days:
        at = x(datetime(day.year, day.month, day.day).timestamp())
        if charts.LEFT + 10 <= at <= charts.WIDTH - charts.RIGHT - 16:
            year = f" {day.year}" if day.month == 1 or days > 700 else ""
            label = f"{day:%b}{year}" if days > 70 else f"{day.day} {day:%b}"
            yield charts.line(at, floor, at, floor + 5, "edge") + charts.text(at, floor + 18, label)


# Ball speed

def _speeds(sessions: Sequence[Row], by_session: Mapping[str, Sequence[Row]], links: Links) -> Figure | None:
    """Of grown players alone: the speeds that were typed in."""
    found = [(s, [b["ball_speed_km_h"] for b in by_session.get(s["id"], ()) if b["ball_speed_km_h"] is not None])
             for s in sessions]
    found = [(s, v) for s, v in found if v]
    if not found:
        return None
    n = sum(len(v) for _, v in found)
    says = (f"Ball speed as somebody typed it in from a radar: {words.count(n, 'ball')} of "
            f"{words.count(len(found), 'session')}.")
    x, y = _time_scale([_when(s) for s, _ in found]), charts.Scale.up([k for _, v in found for k in v], TALL, 40)
    made = [charts.up_axis(y, ""), *_dates(x, TALL - 40), charts.text(charts.LEFT + 4, charts.TOP - 2, "km/h", "start")]
    made += [charts.mark(x(_when(s).timestamp()), y(k), None, 5) for s, v in found for k in v]
    rows = [[Cell(f"{_when(s):%Y-%m-%d}", links.session(s["id"])), str(len(v)), f"{np.mean(v):.0f} km/h",
             f"{min(v):.0f} to {max(v):.0f} km/h"]
            for s, v in reversed(found)]
    return Figure("speed", "Ball speed", says, charts.svg(says, *made, height=TALL),
                  ("Session", "Balls", "Mean", "Range"), rows,
                  "The program does not measure it; how sure a radar is, its maker says.")


def _best(balls: Sequence[Row], age: int | None) -> Figure:
    v, speed = (np.array([np.nan if b[k] is None else b[k] for b in balls], float)
                for k in ("run_up_speed_m_s", "ball_speed_km_h"))
    found: OwnBest = own_best(v, speed, np.random.default_rng(SEED), age)
    says = words.best(found)
    svg = _best_svg(v, speed, found, says) if found else None
    rows = [[f"{a:.2f} m/s", f"{b:.0f} km/h"] for a, b in zip(v, speed) if np.isfinite(a + b)] if found else []
    return Figure("own-best", "Own best run-up speed", says, svg, ("Run-up speed", "Ball speed"), rows,
                  "A quadratic by least squares, shown only where the balls are enough, it surely bends down, and "
                  "its slopes at both ends of what was bowled have opposite signs (Lind & Mehlum 2010, after "
                  "Sasabuchi 1980); the interval from 2000 resamples of the balls (percentiles, Efron & Tibshirani "
                  "1993). It assumes independent balls and knows no cause: wind, tiredness and effort are in it."
                  if age is not None else "")


def _best_svg(v: np.ndarray, speed: np.ndarray, found: OwnBest, says: str) -> Markup:
    both = np.isfinite(v) & np.isfinite(speed)
    v, speed = v[both], speed[both]
    room = 0.05 * np.ptp(v)
    x = charts.Scale(float(v.min() - room), float(v.max() + room), charts.LEFT, charts.WIDTH - charts.RIGHT)
    y = charts.Scale.up(speed.tolist(), 300, 44)
    along = np.linspace(v.min(), v.max(), 80)
    curve = np.polynomial.Polynomial(found.curve)(along)
    made = [charts.rect(x(found.low), charts.TOP, x(found.high), 300 - 44, "interval"), charts.up_axis(y, ""),
            charts.text(charts.LEFT + 4, charts.TOP - 2, "km/h", "start"),
            *(charts.text(x(t), 300 - 26, f"{t:.1f}") for t in charts.ticks(x.low, x.high)),
            charts.text(charts.WIDTH / 2, 300 - 8, "run-up speed, m/s; the band is the interval of the best")]
    made += [charts.mark(x(a), y(b), None, 5) for a, b in zip(v.tolist(), speed.tolist())]
    made += [charts.path([(x(a), y(b)) for a, b in zip(along.tolist(), curve.tolist())], "curve"),
             charts.line(x(found.speed_m_s), charts.TOP, x(found.speed_m_s), 300 - 44, "mean")]
    return charts.svg(says, *made, height=300)


# The front leg, and height

def _actions(sessions: Sequence[Row], by_session: Mapping[str, Sequence[Row]]) -> Figure:
    """How the front leg acted, month by month."""
    months: dict[str, Counter[str]] = {}
    for s in sessions:
        months.setdefault(f"{_when(s):%Y-%m}", Counter()).update(
            b["front_leg_action"] for b in by_session.get(s["id"], ()) if b["front_leg_action"])
    months = {m: c for m, c in months.items() if c}
    total = sum(months.values(), Counter())
    says = ("The front leg's action was not told on any of these balls." if not total else "The front leg's action, of "
            f"{words.count(total.total(), 'ball')}: " + 
            ", ".join(f"{words.ACTIONS[a]} {n}" for a, n in total.most_common()) + ".")
    made, tall = [], 24 * len(months) + 40
    for i, (month, found) in enumerate(months.items()):
        left, top = float(charts.LEFT + 20), 8 + 24 * i
        made.append(charts.text(left - 8, top + 13, month, "end"))
        for action in FRONT_LEG_ACTIONS:
            wide = (charts.WIDTH - charts.RIGHT - charts.LEFT - 20) * found[action] / found.total()
            if wide:
                made.append(charts.linked(None, f"{month}: {words.ACTIONS[action]} {found[action]} of {found.total()}",
                                          charts.rect(left, top, left + wide, top + 18, f"action {action}")))
                if wide > 24:
                    made.append(charts.text(left + wide / 2, top + 13, str(found[action])))
            left += wide
    for i, action in enumerate(FRONT_LEG_ACTIONS):
        made += [charts.rect(charts.LEFT + 20 + 170 * i, tall - 20, charts.LEFT + 34 + 170 * i, tall - 8,
                             f"action {action}"),
                 charts.text(charts.LEFT + 40 + 170 * i, tall - 10, words.ACTIONS[action], "start")]
    rows = [[month, *(str(found[a]) for a in FRONT_LEG_ACTIONS), str(found.total())] for month, found in months.items()]
    return Figure("actions", "Front leg action", says, charts.svg(says, *made, height=tall) if total else None,
                  ("Month", *(words.ACTIONS[a] for a in FRONT_LEG_ACTIONS), "balls"), rows,
                  "By the 10° rule of Portus et al. 2004, from the knee at landing, its smallest and at release; "
                  "each has its error, so a ball near 10° may fall on either side. None of the four is the right one."
                  if total else "")


def _heights(heights: Sequence[Row], age: int | None) -> Figure:
    """Height by day, and a note where somebody young grows fast."""
    days = [(date.fromisoformat(h["measured_on"]), h["height_m"]) for h in heights]
    grown = growth.growths(days) if age is None or age < growth.GROWN else []
    says = "No height was put down: creaseside players height." if not days else (
        f"Height: {days[-1][1]:.2f} m on {words.day(days[-1][0])}, {words.count(len(days), 'measurement')}.")
    if grown:
        says += " " + _growing(grown[-1])
    svg = None
    if len(days) > 1:
        times = [datetime(d.year, d.month, d.day) for d, _ in days]
        x, y = _time_scale(times), charts.Scale.up([m for _, m in days], TALL, 40)
        points = [(x(t.timestamp()), y(m)) for t, (_, m) in zip(times, days)]
        fast = [charts.rect(x(datetime(g.since.year, g.since.month, g.since.day).timestamp()), charts.TOP,
                            x(datetime(g.until.year, g.until.month, g.until.day).timestamp()), TALL - 40, "interval")
                for g in grown if g.spurt == "yes"]
        svg = charts.svg(says, *fast, charts.up_axis(y, " m"), *_dates(x, TALL - 40), charts.path(points, "curve"),
                         *(charts.mark(*p, None, 6) for p in points), height=TALL)
    rate = {g.until: g for g in grown}
    rows = [[d.isoformat(), f"{m:.2f} m", f"{rate[d].cm_year:.0f} ± {rate[d].sd:.0f} cm a year" if d in rate else ""]
            for d, m in reversed(days)]
    return Figure("height", "Height", says, svg, ("Day", "Height", "Growth until then (± sd)"), rows,
                  f"A spurt: surely more than {growth.SPURT_CM_YEAR:g} cm a year (about 0.6 cm a month, as studies of "
                  "young footballers took it; from memory), over 60 days or more, with half a centimetre of error a "
                  "reading. The band marks it. It says nothing about maturity or injury." if grown else "")


def _growing(of: growth.Growth) -> str:
    rate = f"about {of.cm_year:.0f} cm a year since {words.day(of.since)}"
    return {"yes": f"A growth spurt, {rate}: a body that changes bowls differently by itself, so numbers from before "
                   "it are no yardstick; take a new baseline, and ask your board what load it advises in a spurt.",
            "perhaps": f"Growing {rate}, perhaps a spurt: measure again in two months.",
            "no": f"Growing {rate}, no spurt."}[of.spurt]


