"""Details: the full story of an unexpected fault, kept in the home's file for whoever mends it; nobody sees it on a screen."""
from __future__ import annotations

import traceback

from kiosk import VERSION
from kiosk.faults import Fault
from kiosk.place import Place

LIMIT = 1 << 20   # bytes; then the file starts again, so that a fault in a loop fills no disk


def keep(place: Place, what: str) -> str:
    """Write down the exception that is being handled; where it went, or why it could not."""
    from kiosk import clock
    try:
        fresh = place.details.exists() and place.details.stat().st_size > LIMIT
        with place.details.open("w" if fresh else "a", encoding="utf-8") as f:
            f.write(f"{clock.utc_and_ns()[0].isoformat()} {VERSION} {what}\n{traceback.format_exc()}\n")
        return str(place.details)
    except (OSError, Fault) as e:
        return f"no file ({e})"
