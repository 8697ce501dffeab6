"""The data of Debian's package opencv-doc (4.6.0; Apache-2.0): calibration pictures with OpenCV's own results, and a film."""
from __future__ import annotations

import gzip
from pathlib import Path

import pytest

FOLDERS = (Path("/usr/share/doc/opencv-doc/examples/data"), Path("/usr/share/opencv4/samples/data"))


def data(name: str, scratch: Path | None = None) -> Path:
    """One file of it, unpacked into `scratch` where it is packed; the test is skipped, and says why, where it is missing."""
    for folder in FOLDERS:
        if (folder / name).exists():
            return folder / name
        packed = folder / f"{name}.gz"
        if packed.exists() and scratch is not None:
            (scratch / name).write_bytes(gzip.decompress(packed.read_bytes()))
            return scratch / name
    pytest.skip(f"no {name} of opencv-doc in {FOLDERS[0]}; apt install opencv-doc")
