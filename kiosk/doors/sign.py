"""`creaseside sign`: pages to print: the sign for the net wall, and the sheet on data protection for the club."""
from __future__ import annotations

from pathlib import Path

import click

from kiosk.place import Place


@click.command()
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path, dir_okay=False), metavar="FILE.html",
              help="Where the page goes.")
@click.option("--sheet", is_flag=True, help="The sheet on data protection that a club fills in, instead of the sign.")
@click.option("--language", type=click.Choice(["en", "hi"]), help="One language; both, a page each, where not said.")
@click.pass_obj
def command(place: Place, output: Path, sheet: bool, language: str | None) -> None:
    """Write a page to print: the sign that says what the camera does and keeps, for the net wall.

    The days and hours in it are this home's settings: print it again when they change.
    """
    from kiosk import sign
    from kiosk.faults import Fault
    try:
        output.expanduser().write_text(sign.page(place, sheet, language or ""), "utf-8")
    except OSError as e:
        raise Fault(f"the page {output}", e.strerror or str(e), "give a file that may be written") from e
    place.out({"sign": str(output)}) if place.json else click.echo(f"{output}: print it on A4")
