"""`creaseside import`: sessions out of a zip from another machine, or out of an old log, into this log."""
from __future__ import annotations

from pathlib import Path

import click

from kiosk.place import Place


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.pass_obj
def command(place: Place, file: Path) -> None:
    """Take in FILE, a zip that creaseside export wrote, or a log: a backup, or a damaged one that was put aside.

    Taken in twice is taken in once. What is here already stays as it is. Clips come in only where a consent that
    counts here allows them. The file is checked as a whole before anything is written.
    """
    from kiosk.doors.players import heard
    from kiosk.imports import merge, old_log
    from kiosk.logbook import Logbook
    with Logbook(place) as log:
        heard(place, log)
        made, damaged = old_log.take_in(log, file) if old_log.is_one(file) else (merge.take_in(log, file), None)
    if damaged:
        place.say(damaged)
    if place.json:
        place.out(made)
    else:
        click.echo(f"{file}: {made['sessions']} sessions, {made['balls']} balls, {made['clips']} clips came in, "
                   f"{made['already_here']} balls were here")
    for there, here in made["renamed"].items():
        place.say(f"{there} is somebody else's id here: it came in as {here}")
    if made["clips_left_out"]:
        place.say(f"{made['clips_left_out']} clips may not be kept here and were left out")
