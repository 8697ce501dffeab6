"""`creaseside review`: the local review pages, in the browser of this machine."""
from __future__ import annotations

import click

from kiosk.place import Place

PORT = 8760


@click.command()
@click.option("--port", type=click.IntRange(0, 65535), default=PORT, show_default=True, help="0: any that is free.")
@click.option("--open", "open_", is_flag=True, help="Open a browser on the first page.")
@click.option("--share", is_flag=True, help="For the whole local network, behind the coach's PIN; else for this "
                                            "machine alone.")
@click.pass_obj
def command(place: Place, port: int, open_: bool, share: bool) -> None:
    """Squad, players, sessions and balls, read from the log, until Ctrl-C. The kiosk may run meanwhile.

    Shared, what is shown travels unencrypted: do so in a network of your own only.
    """
    import signal
    import sys

    from kiosk.faults import Fault
    from kiosk.logbook import Reader
    from kiosk.pin import Pin
    from kiosk.review import serving
    from kiosk.review.app import make
    pin = Pin(place) if share else None
    if pin and not pin.is_set:
        raise Fault("to share the review pages", "no PIN", "set one with creaseside pin")
    Reader(place).close()       # a log that cannot be opened is told here, in one line
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))

    def ready(url: str, at: int) -> None:
        if place.json:
            place.out({"url": url, "port": at})
        else:
            place.say(f"{url}  (Ctrl-C ends it)")

    try:
        serving.serve(make(place, pin=pin), port, share, open_, ready)
    except KeyboardInterrupt:
        place.say("the review pages are closed")
