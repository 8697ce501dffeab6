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
    from kiosk.offline import Measurer
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
        raise Fault(f"{len(clips)} clips", f"{len(bad)} that could not be measured, named above", "put those right and measure them again")


def balls_of(place: Place, measurer, clip: Path, marks: Path | None = None, arm: str | None = None,
             fps: float | None = None):
    """The balls of one clip as others read them, as soon as each is known."""
    from creaseside.ball import as_json
    from creaseside.engine import Engine
    from kiosk import session
    from kiosk.sources.tape import Tape
    with Tape(clip, fps=fps, paced=False) as tape:
        size = tape.width_px, tape.height_px
        placed = session.marks_of(place, marks, str(clip), size)
        camera = placed.solved(f"the marks of {clip.name}") if placed else None
        engine = Engine(camera, None, place.settings.feedback, place.settings.log, arm, size)
        told = Progress(place, clip.name)
        for n, log in enumerate(measurer.balls(tape, engine, told.at), 1):
            told.balls = n
            yield as_json(log.what, n, clip.name)
        told.end()


class Progress:
    """A line on stderr every few seconds; none for what is done before anyone wonders."""

    FIRST_NS, EVERY_NS = 2 * 10**9, 5 * 10**9

    def __init__(self, place: Place, name: str) -> None:
        from kiosk import clock
        self._place, self._name, self._clock = place, name, clock
        self._began_ns = clock.now_ns()
        self._due_ns = self._began_ns + self.FIRST_NS
        self.balls, self._t_s, self._told = 0, 0.0, False

    def at(self, t_s: float) -> None:
        self._t_s = t_s
        if (now_ns := self._clock.now_ns()) >= self._due_ns:
            self._due_ns, self._told = now_ns + self.EVERY_NS, True
            self._place.say(self._line(now_ns))

    def end(self) -> None:
        if self._told:
            self._place.say(self._line(self._clock.now_ns()) + ", done")

    def _line(self, now_ns: int) -> str:
        return f"{self._name}: {self._t_s:.1f} s of it measured in {(now_ns - self._began_ns) / 1e9:.0f} s, {self.balls} balls"
