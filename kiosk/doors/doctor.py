"""`creaseside doctor`: what works on this machine and what to do about what does not; a table, or JSON."""
from __future__ import annotations

import dataclasses
import textwrap

import click

from kiosk.faults import Fault
from kiosk.place import Place

WIDTH = 100


@click.command()
@click.pass_obj
def command(place: Place) -> None:
    """Camera, real frame rate, light, pose model, sound, screen, disk and log: what works here.

    With --json: {"checks": [{"name", "state", "found", "do"}]}, state one of ok, warning, fault.
    Exit status 1 where a fault keeps the kiosk from running at all.
    """
    from kiosk import checkup
    done = []
    for check in checkup.checks(place):
        done.append(check)
        if not place.json:
            click.echo(table_row(check))
    if place.json:
        place.out({"checks": [dataclasses.asdict(c) for c in done]})
    faults = [c for c in done if c.state == checkup.FAULT]
    if faults:
        raise Fault("a kiosk that can run", "; ".join(f"{c.name}: {c.found}" for c in faults), faults[0].do)


def table_row(check) -> str:
    """Name and state in columns, what was found beside them, what to do below."""
    head = f"{check.name:<12}{check.state:<9}"
    lines = textwrap.wrap(check.found, WIDTH - len(head))
    if check.do:
        lines += textwrap.wrap(f"> {check.do}", WIDTH - len(head), subsequent_indent="  ")
    return "\n".join((head if i == 0 else " " * len(head)) + line for i, line in enumerate(lines))
