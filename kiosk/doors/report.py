"""`creaseside report`: the page of a session or a player as one file, to print or to send."""
from __future__ import annotations

from pathlib import Path

import click

from kiosk.place import Place


@click.command()
@click.argument("session", required=False)
@click.option("--player", help="Of this player (an id); with a session: of their balls in it.")
@click.option("--measure", help="The measure to show; default: the session's focus, all of a player's.")
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path), help="Default: ID.html in this "
                                                                                      "folder.")
@click.pass_obj
def command(place: Place, session: str | None, player: str | None, measure: str | None, output: Path | None) -> None:
    """One self-contained HTML file of a SESSION or a player. No pictures are in it; it prints on A4."""
    if not (session or player):
        raise click.UsageError("name a session, or --player ID")
    from kiosk import clock
    from kiosk.faults import Fault
    from kiosk.logbook import accesses
    from kiosk.review import report
    if measure is not None:
        from creaseside.focus import MEASURES
        if measure not in MEASURES:
            raise click.BadParameter(f"{measure!r} is no measure; one of {', '.join(MEASURES)}", param_hint="--measure")
    text, whom = report.html(place, session, player, measure)
    output = output or Path(f"{session or player}.html")
    try:
        output.write_text(text, "utf-8")
    except OSError as e:
        raise Fault(f"the report in {output}", e.strerror or str(e), "give a file that may be written, with -o") from e
    try:
        accesses.note(place, clock, "on this machine", f"a report of {session or player}", whom)
    except Fault as e:
        place.say(f"this report could not be noted in the log: {e.found}")
    place.out({"report": str(output), "bytes": output.stat().st_size}) if place.json else click.echo(str(output))
