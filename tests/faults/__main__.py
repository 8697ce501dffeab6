"""`python -m tests.faults [--full] [--count N] [--minutes M] [ROW…]`: inject the faults, print a line a row; exit status 1 where one missed."""
from __future__ import annotations

import argparse
import importlib
import os
import sys
import tempfile
import time
from pathlib import Path

from tests.faults.row import Missed, NotHere, Row

ROOMS = ("kill", "camera", "disk", "rot", "worker", "sound", "clock", "load", "soak", "fuzz")


def rows(names: list[str]) -> list[Row]:
    found = [importlib.import_module(f"tests.faults.{room}").ROW for room in ROOMS]
    unknown = set(names) - {row.name for row in found}
    if unknown:
        raise SystemExit(f"asked the row {', '.join(sorted(unknown))}; found {', '.join(r.name for r in found)}")
    return [row for row in found if not names or row.name in names]


def told(row: Row, count: int) -> tuple[bool, str]:
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="creaseside-faults-") as folder:
        try:
            words, well = row.run(count, Path(folder)), "pass"
        except Missed as e:
            words, well = str(e), "MISS"
        except NotHere as e:
            words, well = str(e), "skip"
    return well != "MISS", f"{well}  {row.name:<7} {words} [{time.monotonic() - began:.0f} s]"


def main() -> int:
    asked = argparse.ArgumentParser("python -m tests.faults", description=__doc__)
    asked.add_argument("--full", action="store_true", help="as often as the table asks for")
    asked.add_argument("--count", type=int, help="so often")
    asked.add_argument("--minutes", type=float, help="where a row repeats itself: no longer than that")
    asked.add_argument("rows", nargs="*", metavar="ROW", help=", ".join(ROOMS))
    given = asked.parse_args()
    if given.minutes:
        os.environ["FAULTS_MINUTES"] = str(given.minutes)
    good = True
    for row in rows(given.rows):
        print(f"      {row.name:<7} {row.fault}: {row.line}", flush=True)
        well, line = told(row, given.count or (row.full if given.full else row.short))
        print(line, flush=True)
        good &= well
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
