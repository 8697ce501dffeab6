"""`creaseside measure`: the same engine over recorded clips, as fast as it goes; one JSON line a ball on stdout."""
from __future__ import annotations

from pathlib import Path

import click

from kiosk.faults import Fault
from kiosk.place import Place


@click.command()
@click.argument("clips", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="CLIP...")
@click.option("--marks", type=click.Path(path_type=Path), metavar="FILE",
              help="Where the named marks are in the picture; else CLIP's name with .marks.toml, else the set-up's.")
@click.option("--arm", type=click.Choice(["right", "left"]), help="The bowling arm, where it is known.")
@click.option("--fps", type=float, metavar="N", help="The rate at which it was filmed, where the file says otherwise.")
@click.pass_obj
def command(place: Place, clips: tuple[Path, ...], marks: Path | None, arm: str | None, fps: float | None) -> None:
    """Measure recorded clips: one JSON line a ball on stdout.

    A clip that cannot be measured is named in one line, the others are measured all the same, and the exit status is 1.
    """
    from kiosk import session
    from kiosk.offline import Measurer, balls_of
    bad: list[Fault] = []
    with Measurer(*session.bundles_of(place)) as measurer:
        for clip in clips:
            try:
                for ball in balls_of(place, measurer, clip, marks, arm, fps):
                    place.out(ball)
            except Fault as fault:
                bad.append(fault)
                if len(clips) > 1:
                    click.echo(str(fault), err=True)
    if len(clips) == 1 and bad:
        raise bad[0]
    if bad:
        raise Fault(f"{len(clips)} clips", f"{len(bad)} that could not be measured, named above",
                    "put those right and measure them again")
