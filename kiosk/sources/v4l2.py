"""V4L2: the camera driver through OpenCV: opened in its fastest format, read as the bytes that it sent.

This room talks to the device and judges nothing: whether a frame is whole, new or late is the camera's business.
"""
from __future__ import annotations

import errno
import os
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from creaseside.settings import Camera as Asked
from kiosk import clock as real_clock
from kiosk.faults import Fault
from kiosk.sources import opencv

BY_ID = Path("/dev/v4l/by-id")
BUFFERS = 10        # the most that OpenCV takes: at 120 fps nothing is lost where we are 80 ms late; four, its own choice, are 33


@dataclass(frozen=True, slots=True)
class Format:
    """What the driver agreed to. jpeg: its frames are JPEG bytes, else pixels."""

    width_px: int
    height_px: int
    fps: float
    jpeg: bool


@dataclass(frozen=True, slots=True)
class Shot:
    """One frame as the driver gave it. driver_ns: its own stamp, None where it gave none; read_ns: when it was in our
    hands.
    """

    data: bytes | np.ndarray
    driver_ns: int | None
    read_ns: int


class V4L2:
    """A grabber: open, read, read, …, close; all but `open` from one thread. `device`: a number or a path."""

    def __init__(self, device: str, asked: Asked, clock=real_clock) -> None:
        self.device, self._asked, self._clock = device, asked, clock
        self._capture = None
        self._jpeg = False

    def open(self) -> Format:
        cv2 = opencv()
        linux = sys.platform == "linux"
        if linux:
            _reachable(self.device)
        where = self.device if linux or not self.device.isdigit() else int(self.device)
        if linux and self.device.isdigit():
            where = f"/dev/video{self.device}"
        self._capture = capture = cv2.VideoCapture(where, cv2.CAP_V4L2 if linux else cv2.CAP_ANY)
        if not capture.isOpened():
            raise Fault(f"camera {self.device}", "a device that gives no picture, or that another program holds",
                        "close the other program, or give another number")
        # Each of these starts the stream again, and size and rate depend on the format: this order, then read all back.
        capture.set(cv2.CAP_PROP_FOURCC, cv2.VideoWriter_fourcc(*"MJPG"))
        capture.set(cv2.CAP_PROP_FRAME_WIDTH, self._asked.width_px)
        capture.set(cv2.CAP_PROP_FRAME_HEIGHT, self._asked.height_px)
        capture.set(cv2.CAP_PROP_FPS, self._asked.fps)
        if linux:
            capture.set(cv2.CAP_PROP_BUFFERSIZE, BUFFERS)
        agreed = int(capture.get(cv2.CAP_PROP_FOURCC)) & 0xFFFFFFFF
        mjpg = linux and agreed.to_bytes(4, "little") == b"MJPG"
        self._jpeg = mjpg and bool(capture.set(cv2.CAP_PROP_CONVERT_RGB, 0))
        return Format(round(capture.get(cv2.CAP_PROP_FRAME_WIDTH)), round(capture.get(cv2.CAP_PROP_FRAME_HEIGHT)),
                      capture.get(cv2.CAP_PROP_FPS), self._jpeg)

    def read(self) -> Shot | None:
        """The next frame; None where the driver gave none in its own time (2 s) or gave up."""
        import cv2
        if not self._capture.grab():
            return None
        read_ns = self._clock.now_ns()
        driver_ms = self._capture.get(cv2.CAP_PROP_POS_MSEC)
        good, data = self._capture.retrieve()
        if not good or data is None:
            return None
        return Shot(data.tobytes() if self._jpeg else data, round(driver_ms * 1e6) if driver_ms > 0 else None, read_ns)

    def close(self) -> None:
        if self._capture is not None:
            self._capture.release()


def steady_name(device: str, by_id: Path = BY_ID) -> str:
    """The device's name that stays the same when it is plugged in elsewhere or again; its number or path where it has
    none.
    """
    node = Path(f"/dev/video{device}" if device.isdigit() else device)
    try:
        links = sorted(link for link in by_id.iterdir() if link.resolve() == node.resolve())
    except OSError:
        return device
    return str(links[0]) if links else device


def cameras(dev: Path = Path("/dev")) -> list[str]:
    """The numbers of the video devices that are here; some may be a camera's second, pictureless node."""
    return sorted((p.name.removeprefix("video") for p in dev.glob("video*") if p.name[5:].isdigit()), key=int)


def _reachable(device: str) -> None:
    """Fault where the device is not there, is not ours to open, or is held by another."""
    node = f"/dev/video{device}" if device.isdigit() else device
    try:
        os.close(os.open(node, os.O_RDWR | os.O_NONBLOCK))
    except OSError as e:
        here = cameras()
        there = f"the cameras here are {', '.join(here)}" if here else "there is no camera here"
        found, do = {
            errno.ENOENT: (f"no {node}; {there}", "plug it in or give another number, or --source demo"),
            errno.ENODEV: (f"nothing behind {node}", "plug it in again"),
            errno.EACCES: (f"{node}, which this user may not open", "add the user to the group video and log in again"),
            errno.EBUSY: (f"{node} in use", "close the other program"),
        }.get(e.errno, (e.strerror or str(e), "give another number"))
        raise Fault(f"camera {device}", found, do) from e
