"""`creaseside bench`: how fast this machine is, side by side with the plain way."""
from __future__ import annotations

import click

from kiosk.place import Place


@click.command()
@click.option("--balls", type=click.IntRange(1, 60), default=6, show_default=True,
              help="How many of the demo net, one every 20 s.")
@click.pass_obj
def command(place: Place, balls: int) -> None:
    """Release to verdict at 720p and 120 pictures a second, with screen, sound, log and clips; 20 s a ball.

    Plain: the measuring model on every picture of run-up and delivery, after the ball. Floor: the pictures that decide
    the focus, times one look, over two cores. One run says little on a machine that does other things too.
    """
    from kiosk import bench
    found = bench.measured(place, balls)
    if place.json:
        place.out(found)
        return
    for name, value in found.items():
        shown = ", ".join(f"{k} {v}" for k, v in value.items()) if isinstance(value, dict) else value
        click.echo(f"{name:<28}{shown}")
