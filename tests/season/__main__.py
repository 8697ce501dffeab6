"""Write an invented season: `PYTHONPATH=src:. .venv/bin/python -m tests.season --out HOME [--balls 100000]`."""
from __future__ import annotations

import argparse
import json
from datetime import date
from pathlib import Path

from tests.season import book

if __name__ == "__main__":
    ask = argparse.ArgumentParser(prog="python -m tests.season", description=__doc__)
    ask.add_argument("--out", type=Path, required=True, help="the home to be: a folder without a log")
    ask.add_argument("--balls", type=int, default=100_000)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--last", type=date.fromisoformat, default=book.LAST, help="the season's last day")
    given = ask.parse_args()
    if (given.out / "creaseside.db").exists():
        ask.error(f"there is a log in {given.out} already")
    print(json.dumps(book.write(given.out, given.balls, given.seed, given.last)))
