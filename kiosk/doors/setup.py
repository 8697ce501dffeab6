"""`creaseside setup`: the camera's picture judged, the marks placed on it, their fit and the errors to be expected."""
from __future__ import annotations

from pathlib import Path

import click

from kiosk.place import Place


@click.command()
@click.option("--source", metavar="demo|N|DEVICE|FILE", help="Whose picture; the settings' camera where not said, else the demo.")
@click.option("--marks", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="The marks file; the home's own for a camera, FILE.marks.toml beside a recording.")
@click.pass_obj
def command(place: Place, source: str | None, marks: Path | None) -> None:
    """Judge the picture, place the marks by dragging or with the arrow keys, look at the fit, keep it.

    Where there is no display, and with --json: no window; the picture, the fit and the forecast of the marks that are there.
    """
    from kiosk import tripod
    spec = source or place.settings.camera.source or "demo"
    why = "" if place.json else _window(place, spec, marks)
    if place.json or why:
        told = tripod.report(place, spec, marks)
        place.out(told) if place.json else click.echo(_lines(told))
        if why:
            place.say(f"no window ({why}): marks cannot be placed here")
        if told["missing"]:
            place.say(f"{told['missing']}; nothing in metres or along the pitch can be measured without marks")


def _window(place: Place, spec: str, marks: Path | None) -> str:
    """Set up in a window; why there is none, or "" where there was one."""
    from contextlib import closing

    from kiosk import tripod
    from kiosk.screen import Screen
    with closing(Screen(place.settings.screen)) as screen:
        if screen.why:
            return screen.why
        kept = tripod.run(place, spec, marks, screen)
    place.say(f"the marks are kept in {kept}" if kept else "nothing was changed")
    return ""


def _lines(told: dict) -> str:
    picture, fit, foreseen = told["picture"], told["fit"], told["forecast"]
    lines = [f"{told['source']}: {picture['width_px']} x {picture['height_px']}, {picture['fps'] or 0:.1f} of "
             f"{picture['asked_fps']:.0f} frames a second, {picture['light'] or 'no picture'}, {picture['focus'] or 'focus not known'}"]
    if fit:
        worst = max(fit["residual_px"], key=fit["residual_px"].get)
        x, y, z = fit["place_m"]
        lines += [f"camera at x {x:.2f}, y {y:.2f}, {z:.2f} m high, {fit['off_side_on_deg']:.0f}° off side-on",
                  f"{len(fit['residual_px'])} marks, the worst is {worst}, {fit['residual_px'][worst]:.1f} px off"]
    if foreseen:
        lines += [f"{name}: {foreseen[name]:.3g} usual error" if foreseen[name] is not None else
                  f"{name}: {foreseen['not_measured'][name]}" for name in foreseen if name.endswith(("_deg", "_m", "_s"))]
    if told["advice"]:
        lines.append(f"better: {', '.join(told['advice'])}")
    return "\n".join(lines)
