"""Squad page: who bowled how much, whose consent ends soon, whose log has flags; by name, and never by a measure.

There is no measure on it at all, so that nobody is compared with anybody.
"""
from __future__ import annotations

from datetime import date, timedelta
from typing import Any, Mapping

from creaseside.workload import STATES
from kiosk.logbook import people
from kiosk.logbook.reading import Row
from kiosk.review import words
from kiosk.review.asking import Asker, Filter
from kiosk.review.calendar_part import in_force, on_day, table_on
from kiosk.review.look import Cell, Figure, Links

SOON_DAYS = 30           # a consent that ends within them is named (ours)
USUAL_DAYS = 28
NONE = {"balls": 0, "days": 0, "last": None, "flagged": 0}
STATE = {"no_guidance": "no limit", "ok": "within", "near": "near", "at_limit": "reached"}


def view(log: Asker, wanted: Filter, links: Links) -> dict[str, Any]:
    """What the template wants. Without a first day the last four weeks are counted."""
    today = log.today()
    counted = wanted if wanted.since or wanted.until else Filter(
        today - timedelta(days=USUAL_DAYS - 1), None, wanted.arm, wanted.focus, wanted.quality, wanted.flags,
        wanted.block)
    table = table_on(in_force(log)[0], today)
    days = log.by_day(Filter(since=today - timedelta(days=table.reach_days)))
    sums, consents = log.squad(counted), log.everyones_consents()
    players = sorted(log.players(), key=lambda p: (p["shown_name"].casefold(), p["id"]))
    rows, ending, flagged = [], [], []
    for p in players:
        of = sums.get(p["id"], NONE)
        consent = _consent(consents.get(p["id"], []), today)
        load = on_day(days.get(p["id"], {}), today, p, table)
        worst = max((u.state for u in load.uses), key=STATES.index, default="no_guidance")
        if consent[1]:
            ending.append((p, consent[0], links.player(p["id"])))
        with_flags = words.count(of["flagged"], "ball") if of["flagged"] else ""
        if with_flags:
            flagged.append((p, with_flags, links.player(p["id"])))
        rows.append([Cell(p["shown_name"], links.player(p["id"]), True), _age(p), p["arm"] or "not known",
                     str(of["balls"]), str(of["days"]), words.day(of["last"]) if of["last"] else "–", str(load.day_balls),
                     str(load.week_balls), STATE[worst], consent[0], with_flags])
    balls = sum(s["balls"] for s in sums.values())
    says = (f"{words.count(len(players), 'player').capitalize()} by name, {words.count(balls, 'ball')} from "
            f"{words.day(counted.since)} on." if counted.since else
            f"{words.count(len(players), 'player').capitalize()} by name, {words.count(balls, 'ball')} up to "
            f"{words.day(counted.until)}.")
    return {"players": len(players), "ending": ending, "flagged": flagged, "from": counted.since,
            "list": log.sessions_page(Filter(), None, 8),
            "names": {p["id"]: p["shown_name"] for p in players},
            "figure": Figure("squad", "Who bowled how much", says, None,
                             ("Player", "Age", "Arm", "Balls", "Days", "Last bowled", "Today", "7 days",
                              "Workload table", "Consent", "With flags"),
                             rows, "Balls, days, the last of them and flags are of the days above; workload of "
                             f"today, {table}. Nobody is sorted or coloured by a measure.")}


def _age(p: Mapping[str, Any]) -> str:
    return p["age_group"] or (f"born {p['birth_year']}" if p["birth_year"] else "not known: as under 18")


def _consent(consents: list[Row], today: date) -> tuple[str, bool]:
    """In words, and whether somebody should look after it soon."""
    given = [c for c in consents if c["given_on"] <= today.isoformat()]
    if not given:
        return "none: no pictures", False
    last = max(given, key=lambda c: (c["given_on"], c["id"]))
    until = people.consent_until(consents, today)
    if until is None:
        return f"{last['may_keep']}, no end", False
    end = date.fromisoformat(until)
    if end < today:
        return f"{last['may_keep']} ended {words.day(end)}", True
    return f"{last['may_keep']} until {words.day(end)}", (end - today).days <= SOON_DAYS
