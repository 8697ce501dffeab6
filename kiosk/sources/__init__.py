"""Sources: where frames come from, all through one door: a camera, a recording, the demo net, or numbered frames.

Frames leave as whole JPEGs with a stamp. Nothing here looks at what is in the picture, and nothing is kept.
"""
from __future__ import annotations

import math
import os
from pathlib import Path
from typing import TYPE_CHECKING, Iterable, Mapping, Protocol

from creaseside.settings import Camera as Asked
from creaseside.stamps import Stamp
from kiosk.faults import Fault

if TYPE_CHECKING:
    import numpy as np

    from kiosk.sources.tape import Tape

# Read by OpenCV when it first opens a source. A dead camera answers after 2 s, not 10; a broken file is our line to
# say, not a decoder's; and a play list that names a network address is not followed.
os.environ.setdefault("OPENCV_VIDEOIO_V4L_SELECT_TIMEOUT", "2")
os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")
os.environ.setdefault("OPENCV_FFMPEG_CAPTURE_OPTIONS", "protocol_whitelist;file")

DEMO = Path(__file__).resolve().parents[2] / "assets" / "demo" / "net.mp4"
DEMO_MARKS = DEMO.with_name("net.marks.toml")


class Source(Protocol):
    """width_px, height_px: of every frame. fps: what was agreed on, not what comes. live: it may go away and come back.

    trouble: why no frame comes just now, or None. counts: frames that were not handed out, by reason.
    """

    name: str
    width_px: int
    height_px: int
    fps: float
    live: bool
    trouble: Fault | None

    @property
    def counts(self) -> Mapping[str, int]: ...

    def grab(self) -> tuple[Stamp, bytes] | None:
        """The next frame, as soon as it is there; None at the end or after close. Numbers and times rise."""

    def stills(self) -> Iterable[np.ndarray]:
        """A few pictures (H, W, 3) BGR of what is there, some time apart; none where none comes. Before the first grab."""

    def close(self) -> None:
        """From any thread; a waiting grab answers None."""


def opencv():
    """OpenCV's module, told to leave it to us to say what does not open."""
    import cv2
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_ERROR)
    return cv2


def open_source(spec: str = "", asked: Asked = Asked(), paced: bool = True, until_end: bool = False,
                fps: float | None = None) -> Source:
    """`spec`: "" or "demo", "numbered", a camera's number or device, or a file. Fault where it cannot be opened.

    paced: a recording is handed out in real time, else as fast as it is asked for. until_end: the demo does not start
    again at its end. fps: the rate at which a recording was filmed, where the file says otherwise.
    """
    if spec in ("", "demo"):
        return demo(paced, until_end)
    if spec == "numbered":
        from kiosk.sources.numbered import Numbered
        return Numbered(asked.width_px, asked.height_px, fps or asked.fps, paced=paced)
    if is_camera(spec):
        from kiosk.sources.camera import Camera
        return Camera(spec, asked)
    from kiosk.sources.tape import Tape
    return Tape(spec, fps=fps, paced=paced)


def is_camera(spec: str) -> bool:
    """A number or a device, as against a file."""
    return spec.isdigit() or spec.startswith("/dev/")


def demo(paced: bool = True, until_end: bool = False) -> Tape:
    """The net that comes with the program; over and over unless `until_end`."""
    from kiosk.sources.tape import Tape
    if not DEMO.exists():
        raise Fault("the demo net", f"no {DEMO}", "install the program again, or give --source")
    tape = Tape(DEMO, paced=paced, passes=1 if until_end else math.inf)
    tape.name = "demo"
    return tape
