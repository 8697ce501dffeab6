"""`creaseside kiosk`: the live loop in front of a net, paced in real time, also for a recording."""
from __future__ import annotations

from pathlib import Path

import click

from kiosk.place import Place


@click.command()
@click.option("--source", metavar="demo|N|DEVICE|FILE",
              help="A camera's number or device, a recording, or the demo net; the settings' camera where not said.")
@click.option("--marks", type=click.Path(path_type=Path), metavar="FILE", help="Where the named marks are in the picture.")
@click.option("--player", "players", metavar="ID", multiple=True,
              help="Who bowls; several take turns. A guest, of whom no picture is kept, where not said.")
@click.option("--focus", metavar="MEASURE", help="The one measure that is judged; its gate is in the settings.")
@click.option("--headless", is_flag=True, help="Draw where nobody sees it.")
@click.option("--until-end", is_flag=True, help="Stop when the source ends.")
@click.pass_obj
def command(place: Place, source: str | None, marks: Path | None, players: tuple[str, ...], focus: str | None, headless: bool,
            until_end: bool) -> None:
    """Watch, measure, cue, replay and log, ball after ball, until it is stopped.

    With --json: one line a ball as it is logged, and a last one with the summary.
    """
    from kiosk import session
    _known(focus)
    session.run(place, session.Asked(source, marks, players, focus, headless, until_end))


def _known(focus: str | None) -> None:
    import difflib

    from creaseside.ball import BY_NAME
    if focus is not None and focus not in BY_NAME:
        near = difflib.get_close_matches(focus, BY_NAME, 1)
        hint = f"did you mean {near[0]!r}?" if near else f"one of {', '.join(BY_NAME)}"
        raise click.UsageError(f"no measure {focus!r}; {hint}")
