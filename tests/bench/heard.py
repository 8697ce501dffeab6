"""The bench with a sound device where there is none: a sound server of its own, whose sink is read and thrown away.

    PYTHONPATH=src:. .venv/bin/python -m tests.bench.heard [BALLS]

Says what `creaseside bench --json` says, with how late the cues began.
"""
from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.kiosk import pulse


def main(balls: str) -> int:
    if lacking := pulse.missing():
        sys.exit(lacking)
    cache = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    with tempfile.TemporaryDirectory() as folder:
        sink = pulse.NullSink(Path(folder))
        env = {**os.environ, **sink.env, "XDG_CACHE_HOME": cache}
        env.pop("PULSE_SERVER", None)
        try:
            return subprocess.run([sys.executable, "-m", "kiosk", "--json", "bench", "--balls", balls], env=env).returncode
        finally:
            sink.stop()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1] if sys.argv[1:] else "6"))
