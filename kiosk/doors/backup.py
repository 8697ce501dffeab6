"""`creaseside backup`: a consistent copy of the log, also while the kiosk is writing."""
from __future__ import annotations

from pathlib import Path

import click

from kiosk.place import Place


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.pass_obj
def command(place: Place, file: Path) -> None:
    """Copy the log to FILE, as one plain SQLite file. The clips are not in it: copy the clips folder for those.

    An older copy of that name is replaced, no other file. The copy holds names: keep it as you would keep the log.
    """
    from kiosk.logbook import Reader
    with Reader(place) as log:
        made = log.backup(file)
    place.out(made) if place.json else click.echo(f"{made['backup']}: {made['balls']} balls, {made['bytes']} bytes")
