"""TRC: marker positions as tab-separated text, as OpenSim's documentation describes the format ("Marker (.trc) Files").

The pitch frame in millimetres, z up; a marker that was not seen is left blank. A TRC holds no events and no words, so
whether depth was measured is not in the file; the door that writes it says so.
"""
from __future__ import annotations

from pathlib import Path

import numpy as np

from kiosk.exports.lab import Trial


def write(file: Path, trial: Trial, name: str) -> None:
    """name: of the file that it will be, which its first line repeats."""
    m = trial.markers
    rate, frames, count = f"{m.rate_hz:.6g}", len(m), len(m.names)
    lines = [f"PathFileType\t4\t(X/Y/Z)\t{name}",
             "DataRate\tCameraRate\tNumFrames\tNumMarkers\tUnits\tOrigDataRate\tOrigDataStartFrame\tOrigNumFrames",
             f"{rate}\t{rate}\t{frames}\t{count}\tmm\t{rate}\t1\t{frames}",
             "Frame#\tTime\t" + "\t\t\t".join(m.names) + "\t\t",
             "\t\t" + "\t".join(f"X{i}\tY{i}\tZ{i}" for i in range(1, count + 1)), ""]
    with file.open("w", encoding="ascii", newline="\n") as f:
        f.write("\n".join(lines) + "\n")
        for i, (t_s, points) in enumerate(zip(m.t_s, m.xyz_mm), 1):
            f.write(f"{i}\t{t_s:.6f}\t" + "\t".join(map(_number, points.ravel())) + "\n")


def _number(value: float) -> str:
    return f"{value:.2f}" if np.isfinite(value) else ""
