"""Demo: the invented bowlers of the net that comes with the program, and gates that suit them."""
from __future__ import annotations

import tomllib

from kiosk.logbook import Logbook
from kiosk.sources import DEMO

BOWLERS = DEMO.with_suffix(".toml")
GATES = {"front_knee_ffc_deg": (160.0, None), "approach_deg": (-5.0, 5.0)}     # at least, at most


def add_bowlers(log: Logbook) -> None:
    """Put them into the log, with their invented consent, where they are not there yet."""
    if not BOWLERS.exists():
        return
    there = {player["id"] for player in log.players()}
    for bowler in tomllib.loads(BOWLERS.read_text("utf-8")).get("player", []):
        if bowler["id"] not in there:
            log.add_player(bowler["shown_name"], bowler.get("arm"), bowler.get("birth_year"), bowler.get("age_group"),
                           bowler.get("height_m"), id=bowler["id"])
            log.add_consent(bowler["id"], "clips", bowler["shown_name"], note="invented, as the bowler is")
