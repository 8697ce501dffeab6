"""`creaseside players`: who bowls here, what may be kept of them, and how they are erased."""
from __future__ import annotations

import sys
from datetime import date, datetime
from pathlib import Path

import click

from kiosk.faults import Fault
from kiosk.place import Place

DAY = click.DateTime(["%Y-%m-%d"])


@click.group()
def command() -> None:
    """Add, list, show and erase players, and write down their consent.

    A nickname is enough for a name: it is shown on the screen, everything else knows the player by an id.
    """


@command.command()
@click.argument("name")
@click.option("--arm", type=click.Choice(["right", "left"]), help="The bowling arm.")
@click.option("--birth-year", type=int, help="The year is enough; the day is not asked for.")
@click.option("--age-group", help="adult, or u8 to u19. Where no age is given the player counts as under 18.")
@click.option("--height", "height_m", type=float, help="Metres, as of today.")
@click.pass_obj
def add(place: Place, name: str, arm: str | None, birth_year: int | None, age_group: str | None,
        height_m: float | None) -> None:
    """Add a player; prints the new id."""
    from kiosk.logbook import Logbook
    with Logbook(place) as log:
        heard(place, log)
        player = log.player(log.add_player(name, arm, birth_year, age_group, height_m))
    place.out(player) if place.json else click.echo(player["id"])
    place.say("no picture of this player is kept until creaseside players consent says so")


@command.command()
@click.argument("player")
@click.argument("height_m", type=float)
@click.option("--on", type=DAY, help="The day of the measurement; default: today.")
@click.pass_obj
def height(place: Place, player: str, height_m: float, on: datetime | None) -> None:
    """A player's height in metres, as measured on a day: a spurt of growth changes how somebody bowls."""
    from kiosk.logbook import Logbook
    with Logbook(place) as log:
        heard(place, log)
        log.add_height(player, height_m, _day(on))
        found = log.heights(player)
    place.out(found) if place.json else click.echo(", ".join(f"{h['measured_on']} {h['height_m']:.2f} m" for h in found))


@command.command("list")
@click.pass_obj
def list_(place: Place) -> None:
    """All players, the newest first."""
    from kiosk.logbook import Reader
    with Reader(place) as log:
        players = log.players()
        heard(place, log)
    if place.json:
        place.out(players)
    for p in [] if place.json else players:
        click.echo(f"{p['id']:<7} {p['shown_name']}  ({', '.join(facts(p))})")


@command.command()
@click.argument("player")
@click.pass_obj
def show(place: Place, player: str) -> None:
    """One player: facts, consents, sessions."""
    from kiosk.logbook import Reader
    with Reader(place) as log:
        p = log.player(player) | {"consents": log.consents(player), "sessions": log.sessions(player)}
        heard(place, log)
    if place.json:
        place.out(p)
        return
    click.echo(f"{p['id']}  {p['shown_name']}  ({', '.join(facts(p))})")
    for c in p["consents"]:
        until = f" until {c['until']}" if c["until"] else ""
        click.echo(f"consent  {c['given_on']}{until}  {c['may_keep']}, by {c['given_by']} ({c['role']})")
    for s in p["sessions"]:
        click.echo(f"session  {s['started_utc']}  {s['id']}  {s['balls']} balls, {s['clips']} clips")


@command.command()
@click.argument("player")
@click.option("--keep", type=click.Choice(["none", "numbers", "clips"]), required=True,
              help="none: balls are counted, no more. numbers: measures, no picture. clips: pictures too, for a time.")
@click.option("--by", "given_by", required=True, help="Who gave it.")
@click.option("--as", "role", type=click.Choice(["player", "parent"]), default="player", show_default=True,
              help="Pictures of players who may be under 18 need a parent or carer.")
@click.option("--on", "given_on", type=DAY, help="The day it was given; today where not said.")
@click.option("--until", type=DAY, help="Its last day; no end where not said.")
@click.option("--faces", type=click.Choice(["blurred", "shown"]), default="blurred", show_default=True,
              help="In clips and pictures that leave this machine.")
@click.option("--keep-days", type=click.IntRange(0, 3650), help="Of a clip; never longer than the settings say.")
@click.option("--note", help="Where the paper is.")
@click.pass_obj
def consent(place: Place, player: str, keep: str, given_by: str, role: str, given_on: datetime | None,
            until: datetime | None, faces: str, keep_days: int | None, note: str | None) -> None:
    """Write down what may be kept of a player. The newest consent counts; --keep none or numbers withdraws it."""
    from kiosk import clips
    from kiosk.logbook import Logbook
    with Logbook(place) as log:
        heard(place, log)
        log.add_consent(player, keep, given_by, role, _day(given_on), _day(until), note, faces, keep_days)
        went = clips.remove_expired(log, log.today())
        found = log.player(player) | {"consents": log.consents(player), "clips_removed": went}
    place.out(found) if place.json else click.echo(f"{player}: {found['may_keep']}")
    if went:
        place.say(f"{went} clips that may be kept no longer were removed")


@command.command()
@click.argument("player")
@click.option("--source", metavar="demo|N|DEVICE|FILE", help="Where the player stands; the settings' camera where not said.")
@click.option("--marks", type=click.Path(path_type=Path), metavar="FILE", help="The marks file of that camera.")
@click.option("--arm", type=click.Choice(["right", "left"]), help="The bowling arm, where the log does not know it.")
@click.pass_obj
def zero(place: Place, player: str, source: str | None, marks: Path | None, arm: str | None) -> None:
    """A standing zero: the player stands tall for two seconds, and what the front knee reads is their own straight.

    Balls bowled after it with the same set-up point to it; what they read stays as it was measured.
    """
    from contextlib import closing

    from kiosk import standing_trial
    from kiosk.screen import Screen
    spec = source or place.settings.camera.source or "demo"
    with closing(Screen(place.settings.screen, place.json)) as screen:
        made = standing_trial.run(place, player, spec, marks, arm, None if screen.why else screen)
    if place.json:
        place.out(made)
    else:
        click.echo(f"{player}: straight reads {made['knee_deg']:.1f}°, sd {made['sd_deg']:.1f}°" if made else "nothing was kept")


@command.command()
@click.argument("players", nargs=-1, metavar="[PLAYER]...")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="The page to write, HTML.")
@click.pass_obj
def cards(place: Place, players: tuple[str, ...], output: Path) -> None:
    """A page to print: a card a player, to be held to the camera at check-in. Everybody's where nobody is named.

    A player keeps the same card for ever; print it again when it is lost. The page holds names: keep it as the log.
    """
    from kiosk import cards
    from kiosk.logbook import Logbook
    with Logbook(place) as log:
        heard(place, log)
        named = [log.player(p)["id"] for p in players] or [p["id"] for p in reversed(log.players())]
        if not named:
            raise Fault("cards for the players", "no player in the log", "add one: creaseside players add NAME")
        made = [log.player(p) | {"card": log.card(p)} for p in named]
    try:
        output.write_text(cards.page(made), "utf-8")
    except OSError as e:
        raise Fault(f"the cards in {output}", e.strerror or str(e), "give a file that may be written") from e
    found = {"cards": str(output), "players": [{"id": p["id"], "card": p["card"]} for p in made]}
    place.out(found) if place.json else click.echo(f"{output}: {len(made)} cards")


@command.command()
@click.argument("player")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), metavar="FILE",
              help="The zip to write.")
@click.pass_obj
def data(place: Place, player: str, output: Path) -> None:
    """Everything that is kept about a player, as one zip for them to take away.

    Balls as a table and as rows, clips (others in them, and by default the player's face, are covered), consents,
    heights, and who looked at what.
    """
    from kiosk.exports import bundle, taken
    with taken.log_of(place, None, player, "took out their own data") as log:
        made = bundle.write(log, output, None, player, own=True)
    place.out(made) if place.json else click.echo(f"{output}: {made['count']} balls, {made['clips']} clips")


@command.command()
@click.argument("player")
@click.option("--yes", is_flag=True, help="Do not ask.")
@click.pass_obj
def erase(place: Place, player: str, yes: bool) -> None:
    """Erase a player: every ball, trace, clip and word, out of the file's bytes too. There is no way back."""
    from kiosk.logbook import Logbook
    with Logbook(place) as log:
        heard(place, log)
        sure(place, f"Erase {log.player(player)['shown_name']} ({player}) for ever?", yes)
        erased(place, log.erase_player(player))


def facts(player: dict) -> list[str]:
    """What is known of a player, in words, as far as it is known."""
    age = f"born {player['birth_year']}" if player["birth_year"] else player["age_group"] or "age not known"
    height = f"{player['height_m']:.2f} m" if player["height_m"] else ""
    return [f for f in (player["arm"], age, height, f"keep {player['may_keep']}") if f]


def heard(place: Place, log) -> None:
    """Say what the opening of the log has to say."""
    if log.notice:
        place.say(log.notice)


def sure(place: Place, question: str, yes: bool) -> None:
    """Ask a person at a terminal; a script meant what it said."""
    if not yes and not place.json and sys.stdin.isatty():
        click.confirm(question, abort=True, err=True)


def erased(place: Place, gone: dict) -> None:
    if place.json:
        place.out(gone)
    else:
        click.echo(f"{gone['erased']} is erased: "
                   f"{gone['sessions']} sessions, {gone['balls']} balls, {gone['clips']} clips")
    place.say("copies that were made with creaseside backup or export still hold what was in the log then; delete them")
    for name in gone["left"]:
        place.say(f"{name} may hold it too; delete it")


def _day(given: datetime | None) -> date | None:
    return given and given.date()
