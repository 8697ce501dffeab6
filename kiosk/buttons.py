"""Buttons: which button means what, as it was learned on the screen, kept in the home for the next start."""
from __future__ import annotations

import json
import os
import tomllib
from typing import Mapping

from kiosk.faults import Fault
from kiosk.inputs import USUAL
from kiosk.place import Place


def table(place: Place) -> Mapping[str, str]:
    """The usual buttons, and over them what was learned."""
    file = place.home / "buttons.toml"
    try:
        learned = tomllib.loads(file.read_text("utf-8")).get("buttons", {})
    except FileNotFoundError:
        learned = {}
    except (OSError, ValueError) as e:
        raise Fault(f"the buttons in {file}", f"a file that cannot be read: {e}", "delete it and learn them anew") from e
    return {**USUAL, **learned}


def keep(place: Place, now: Mapping[str, str]) -> None:
    """What differs from the usual."""
    file = place.home / "buttons.toml"
    own = {code: action for code, action in now.items() if USUAL.get(code) != action}
    lines = [f"{json.dumps(code)} = {json.dumps(action)}\n" for code, action in own.items()]
    part = file.with_suffix(".part")
    try:
        part.write_text("# Buttons that were learned on the screen.\n[buttons]\n" + "".join(lines), "utf-8")
        os.replace(part, file)
    except OSError as e:
        raise Fault(f"the buttons in {file}", e.strerror or str(e), "look at the disk and its rights") from e
