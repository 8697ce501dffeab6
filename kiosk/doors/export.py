"""`creaseside export`: balls, tracks and clips of a session or a player, in open formats."""
from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from kiosk.faults import Fault
from kiosk.place import Place

TABLES, LAB = ("csv", "parquet"), ("trc", "c3d")
FORMATS = (*TABLES, *LAB, "zip")


@click.command()
@click.argument("session", required=False)
@click.option("--player", help="All balls of this player (an id) instead of a session's.")
@click.option("--format", "kind", type=click.Choice(FORMATS), required=True,
              help="csv, parquet: tables. trc, c3d: markers for a laboratory. zip: everything, with the clips.")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), metavar="FILE",
              help="The file to write.")
@click.option("--rows", type=click.Choice(["balls", "frames"]), default="balls", show_default=True,
              help="csv, parquet: one row a ball, or one row a frame of the tracks.")
@click.option("--ball", "balls", type=int, multiple=True, help="trc, c3d: only this ball; may be repeated.")
@click.option("--each", is_flag=True, help="trc, c3d: a file for each ball, FILE with -001 and so on in its name.")
@click.option("--depth", type=click.Choice(["plane", "model"]), default="plane", show_default=True,
              help="trc, c3d: points in the running plane, or with the pose model's guess at depth.")
@click.pass_obj
def command(place: Place, session: str | None, player: str | None, kind: str, output: Path, rows: str,
            balls: tuple[int, ...], each: bool, depth: str) -> None:
    """Write a session's or a player's balls to FILE.

    Tables and markers hold ids and no names. A zip holds the names too, and clips where the players' consent allows
    them, with faces blurred unless it says otherwise; creaseside import takes it in on another machine.
    """
    if (session is None) == (player is None):
        raise click.UsageError("give a SESSION or --player ID, one of the two")
    goes_with = (("--rows frames", rows == "frames", TABLES), ("--ball", balls, LAB), ("--each", each, LAB),
                 ("--depth", depth != "plane", LAB))
    wrong = [name for name, given, kinds in goes_with if given and kind not in kinds]
    if wrong:
        raise click.UsageError(f"{wrong[0]} does not go with --format {kind}")
    from kiosk.exports import taken
    with taken.log_of(place, session, player, f"took out a {kind}") as log:
        if kind == "zip":
            from kiosk.exports import bundle
            made = bundle.write(log, output, session, player)
        elif kind in LAB:
            made = _markers(place, log, output, session, player, kind, balls, each, depth)
        else:
            made = _table(place, log, output, session, player, kind, rows)
    place.out(made) if place.json else click.echo(_line(made))


def _table(place: Place, log, output: Path, session: str | None, player: str | None, kind: str,
           rows: str) -> dict[str, Any]:
    from kiosk.exports import table, whole
    columns, lines = table.ROWS[rows]
    with whole.file(place, output, f"a {kind} of {rows}") as part:
        n = table.FORMATS[kind](part, columns, lines(log, session, player))
    return {"export": str(output), "format": kind, "rows": rows, "count": n}


def _markers(place: Place, log, output: Path, session: str | None, player: str | None, kind: str,
             balls: tuple[int, ...], each: bool, depth: str) -> dict[str, Any]:
    from creaseside.markers import DEPTHS
    from kiosk.exports import c3d_file, lab, trc, whole
    trials = lab.trials(log, session, player, balls, depth, each)
    files = []
    for n, trial in enumerate(trials, 1):
        name = output if not each else output.with_name(f"{output.stem}-{n:03}{output.suffix}")
        with whole.file(place, name, f"a {kind}") as part:
            try:
                c3d_file.write(part, trial) if kind == "c3d" else trc.write(part, trial, name.name)
            except ValueError as e:
                raise Fault(f"a {kind} in {name}", str(e), "give --ball or --each") from e
        files.append({"file": str(name), "first_frame": {str(b): at + 1 for b, at in trial.first.items()},
                      "frames": len(trial.markers), "rate_hz": round(trial.markers.rate_hz, 4)})
    place.say(f"millimetres in the pitch frame, z up; {DEPTHS[depth]}")
    for ball, why in trials[0].left_out.items():
        place.say(f"ball {ball} is not in it: {why}")
    return {"export": str(output), "format": kind, "depth": DEPTHS[depth], "units": "mm", "files": files,
            "count": sum(len(t.first) for t in trials), "left_out": {str(b): w for b, w in trials[0].left_out.items()}}


def _line(made: dict[str, Any]) -> str:
    return f"{made['export']}: {made['count']} {made.get('rows', 'balls')}"
