"""`creaseside sessions`: what was bowled, session by session."""
from __future__ import annotations

import click

from kiosk.doors.players import erased, heard, sure
from kiosk.place import Place


@click.group()
def command() -> None:
    """List, show and erase sessions."""


@command.command("list")
@click.option("--player", help="Of this player only (an id).")
@click.pass_obj
def list_(place: Place, player: str | None) -> None:
    """All sessions, the newest first."""
    from kiosk.logbook import Reader
    with Reader(place) as log:
        if player:
            log.player(player)
        sessions = log.sessions(player)
        heard(place, log)
    if place.json:
        place.out(sessions)
    for s in [] if place.json else sessions:
        click.echo(_line(s))


@command.command()
@click.argument("session")
@click.pass_obj
def show(place: Place, session: str) -> None:
    """One session with its balls. With --json: the session, its blocks, and its balls as everywhere else."""
    from kiosk.logbook import Reader
    with Reader(place) as log:
        found = log.session(session) | {"balls": log.balls(session)}
        heard(place, log)
    if place.json:
        place.out(found)
        return
    click.echo(_line(found | {"balls": len(found["balls"])}))
    if found["measure"]:
        click.echo(f"focus: {found['measure']}{_gate(found)}")
    for ball in found["balls"]:
        click.echo(_ball(ball, found["measure"]))


@command.command()
@click.argument("session")
@click.option("--yes", is_flag=True, help="Do not ask.")
@click.pass_obj
def erase(place: Place, session: str, yes: bool) -> None:
    """Erase a session with its balls and clips. There is no way back."""
    from kiosk.logbook import Logbook
    with Logbook(place) as log:
        heard(place, log)
        sure(place, f"Erase the session {session} of {log.session(session)['started_utc']} for ever?", yes)
        erased(place, log.erase_session(session))


def _line(s: dict) -> str:
    who = ", ".join(filter(None, (s["player"], s["venue"], s["measure"])))
    return f"{s['id']:<7} {s['started_utc']}  {s['balls']} balls, {s['clips']} clips{who and '  ' + who}"


def _gate(s: dict) -> str:
    posts = ((" at least", s["at_least"]), (" at most", s["at_most"]))
    return "".join(f"{words} {post:g}" for words, post in posts if post is not None)


def _ball(ball: dict, measure: str | None) -> str:
    """Its number, its verdict, and the measure in focus with its standard deviation or the reason why there is none."""
    text = f"{ball['ball']:>4}  {ball['verdict'] or '-':<8}"
    if measure:
        value, sd = ball[measure], ball[measure + "_sd"]
        text += ball["not_measured"].get(measure, "") if value is None else f"{value:g}" + (f" ± {sd:g}" if sd else "")
    return text.rstrip()
