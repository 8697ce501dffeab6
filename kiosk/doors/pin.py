"""`creaseside pin`: sets the coach's PIN, for the kiosk's menu and the review pages."""
from __future__ import annotations

import sys

import click

from kiosk.place import Place


@click.command()
@click.option("--stdin", is_flag=True, help="Read the new PIN, and the old one in a line before it, from standard input.")
@click.pass_obj
def command(place: Place, stdin: bool) -> None:
    """Set the coach's PIN, or change it.

    It is typed twice and never shown. Who has forgotten it deletes pin.json in the home folder and sets a new one.
    """
    from kiosk.faults import Fault
    from kiosk.pin import Pin
    pin = Pin(place)
    changed = pin.is_set
    if changed and not pin.check(_asked("PIN until now", stdin)):
        wait_s = pin.wait_s
        raise Fault("the PIN until now", "another one", f"wait {wait_s} s and try again" if wait_s else "try again")
    pin.set(_asked("New PIN", stdin, confirm=True))
    place.out({"pin": "changed" if changed else "set"}) if place.json else place.say("the PIN is set")


def _asked(what: str, stdin: bool, confirm: bool = False) -> str:
    if stdin:
        return sys.stdin.readline().strip()
    return click.prompt(what, hide_input=True, confirmation_prompt=confirm, err=True)
