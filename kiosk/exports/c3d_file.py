"""C3D: marker positions as laboratories keep them (the C3D standard of c3d.org), written through ezc3d.

POINT holds the landmarks in the pitch frame in millimetres, z up; a marker that was not seen has the residual -1. EVENT
holds back foot contact, front foot contact and release of each ball; CREASESIDE says what the depth is worth, and in
which frame each ball begins.
"""
from __future__ import annotations

from pathlib import Path

import numpy as np

from creaseside.markers import DEPTHS
from kiosk.exports.lab import Trial

NAMES = {"BFC": "back foot contact", "FFC": "front foot contact", "BR": "ball release"}
AXES = "origin: middle stump, bowler's end; x down the pitch, y to the bowler's left, z up"
MOST_EVENTS = 255          # a parameter's dimension is one byte
MOST_FRAMES = 65_535       # readers of the format take the header's frame numbers for 16 bits


def write(file: Path, trial: Trial) -> None:
    """ValueError where the format cannot hold it."""
    import ezc3d
    m = trial.markers
    if len(m) > MOST_FRAMES:
        raise ValueError(f"{len(m)} frames, more than the format's {MOST_FRAMES}; export the balls one by one")
    c3d = ezc3d.c3d()
    seen = np.isfinite(m.xyz_mm).all(-1)
    points = np.ones((4, len(m.names), len(m)))
    points[:3] = np.where(seen[..., None], m.xyz_mm, 0.0).transpose(2, 1, 0)
    c3d["data"]["points"] = points
    c3d["data"]["meta_points"]["residuals"] = np.where(seen, 0.0, -1.0).T[None]
    c3d["data"]["meta_points"]["camera_masks"] = np.zeros((7, len(m.names), len(m)), bool)
    point = c3d["parameters"]["POINT"]
    point["RATE"]["value"] = [m.rate_hz]
    point["LABELS"]["value"] = list(m.names)
    point["DESCRIPTIONS"]["value"] = [DEPTHS[m.depth]] * len(m.names)
    point["UNITS"]["value"] = ["mm"]
    c3d.add_parameter("POINT", "X_SCREEN", ["+X"])
    c3d.add_parameter("POINT", "Y_SCREEN", ["+Z"])
    _events(c3d, trial)
    _words(c3d, trial)
    named = file.with_name(file.name + ".c3d")      # the library adds the ending to a name that has it not
    try:
        c3d.write(str(named))
        named.replace(file)
    finally:
        named.unlink(missing_ok=True)


def _events(c3d, trial: Trial) -> None:
    events = sorted(trial.events, key=lambda e: e[2])[:MOST_EVENTS]
    seconds = [frame / trial.markers.rate_hz for _, _, frame in events]
    c3d.add_parameter("EVENT", "USED", len(events))
    if events:
        c3d.add_parameter("EVENT", "CONTEXTS", ["General"] * len(events))
        c3d.add_parameter("EVENT", "LABELS", [name for name, _, _ in events])
        c3d.add_parameter("EVENT", "DESCRIPTIONS", [f"{NAMES[name]}, ball {ball}" for name, ball, _ in events])
        c3d.add_parameter("EVENT", "TIMES", np.array([[s // 60 for s in seconds], [s % 60 for s in seconds]]))


def _words(c3d, trial: Trial) -> None:
    c3d.add_parameter("CREASESIDE", "SESSION", [trial.session])
    c3d.add_parameter("CREASESIDE", "AXES", [AXES])
    c3d.add_parameter("CREASESIDE", "DEPTH", [DEPTHS[trial.markers.depth]])
    balls = list(trial.first.items())[:MOST_EVENTS]
    c3d.add_parameter("CREASESIDE", "BALL", [n for n, _ in balls])     # a list of whole numbers becomes one of floats
    c3d.add_parameter("CREASESIDE", "BALL_FIRST_FRAME", [at + 1 for _, at in balls])
