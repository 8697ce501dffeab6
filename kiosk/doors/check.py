"""`creaseside check`: the program's own error on footage whose truth is known, measure by measure."""
from __future__ import annotations

from pathlib import Path

import click

from kiosk.place import Place

FOOTAGE = Path(__file__).resolve().parents[2] / "assets" / "demo"


@click.command()
@click.option("--footage", type=click.Path(path_type=Path), default=FOOTAGE, metavar="DIR",
              help="Clips with NAME.truth.json or NAME.json beside them; default: the demo net.")
@click.option("--plain", is_flag=False, flag_value="heavy", type=click.Choice(["heavy", "full"]),
              metavar="[heavy|full]",
              help="Beside it the plain way: that model over every frame, the knee in the picture at the nearest one.")
@click.pass_obj
def command(place: Place, footage: Path, plain: str | None) -> None:
    """Own error against truth, as a table, and by how it was filmed; with --json as one JSON object.

    Error is measured less true; limits hold 95 of 100 errors. Drawn footage tells how events, directions and angles are
    found again, never how true a knee is on a real bowler. Exit status 0 also when the numbers are bad.
    """
    from kiosk import errors, truth
    known = truth.clips_in(footage.expanduser())
    compared = _compared(place, known)
    found = errors.summary(compared)
    if plain:
        found["plain"] = {"model": plain, **errors.plain(compared, _plain(place, known, plain))}
    if place.json:
        place.out(found)
    else:
        click.echo(errors.table(found))


def _compared(place: Place, known):
    """Every clip measured and held against its truth."""
    from kiosk import errors, session
    from kiosk.offline import Measurer, balls_of
    done = []
    with Measurer(*session.bundles_of(place)) as measurer:
        for n, clip in enumerate(known, 1):
            found = list(balls_of(place, measurer, clip.clip))
            done.append(errors.compare(clip.clip.name, clip.balls, found, clip.conditions, clip.delivery))
            place.say(f"{n} of {len(known)} clips: {clip.clip.name}, {len(done[-1].pairs)} of {len(clip.balls)} balls")
    return done


def _plain(place: Place, known, model: str) -> dict:
    from kiosk import models, plain
    from kiosk.faults import Fault
    bundle = models.heavy_bundle(place) if model == "heavy" else models.light_bundle(place)
    if bundle is None:
        raise Fault(f"the plain way with the {model} model", "no such model here",
                    "run python3 kiosk/start.py with a network once")
    place.say(f"the plain way, {model} model, every frame of {len(known)} clips: this takes a while")
    balls = [(clip.clip, sorted(clip.balls, key=lambda ball: ball["ffc_s"])) for clip in known]
    return dict(zip((clip.clip.name for clip in known), plain.knees(balls, bundle, model)))
