"""The film: pictures in, H.264 file out, with the camera's grain laid over them. Needs ffmpeg."""
from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np

SLACK_PX = 200                                 # one bank of noise is read from a new corner for every frame


class Grain:
    """noise: standard deviation at mid grey, grey levels; less in the dark."""

    def __init__(self, size: tuple[int, int], noise: float, seed: int) -> None:
        self.rng, (w, h) = np.random.default_rng(seed), size
        self._bank = self.rng.standard_normal((h + SLACK_PX, w + SLACK_PX, 3), dtype=np.float32)
        self._level = (noise * np.sqrt(.35 + .65 * np.arange(256) / 128.0)).astype(np.float32)
        self._quiet = noise == 0

    def over(self, image: np.ndarray) -> np.ndarray:
        if self._quiet:
            return image
        h, w = image.shape[:2]
        y, x = self.rng.integers(0, SLACK_PX), self.rng.integers(0, SLACK_PX)
        return np.clip(image + self._bank[y:y + h, x:x + w] * self._level[image], 0, 255).astype(np.uint8)


class Film:
    """put(RGB picture) frame by frame, then close(); a context manager. `options`: more for the encoder."""

    def __init__(self, path: Path, size: tuple[int, int], fps: float, crf: int = 18,
                 options: tuple[str, ...] = ("-preset", "fast")) -> None:
        self.path, self.frames = path, 0
        self._pipe = subprocess.Popen(
            ["ffmpeg", "-y", "-loglevel", "error", "-f", "rawvideo", "-pix_fmt", "rgb24", "-s", f"{size[0]}x{size[1]}",
             "-r", str(fps), "-i", "-", "-c:v", "libx264", *options, "-crf", str(crf), "-pix_fmt", "yuv420p",
             str(path)],
            stdin=subprocess.PIPE)

    def put(self, image: np.ndarray) -> None:
        self._pipe.stdin.write(np.ascontiguousarray(image).tobytes())
        self.frames += 1

    def close(self) -> None:
        self._pipe.stdin.close()
        if self._pipe.wait():
            raise RuntimeError(f"asked {self.path} from ffmpeg, found exit code {self._pipe.returncode}; see above")

    def __enter__(self) -> Film:
        return self

    def __exit__(self, *_) -> None:
        self.close()
