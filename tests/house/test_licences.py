"""What is shipped with the kiosk: its licences, from the installed packages' own words; nothing copyleft outside the tests.

`python -m tests.house.test_licences` prints the list."""
from __future__ import annotations

import re
import tomllib
from importlib import metadata
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[2]
LOCK = REPO / "uv.lock"
COPYLEFT = re.compile(r"\b(A?GPL|LGPL|MPL|EUPL|CDDL|SSPL|EPL)\b|GNU (Affero|Lesser|General)|Mozilla Public", re.IGNORECASE)
# Copyleft by word, and why it may be there all the same: weak (it may be linked to; only changes to itself must stay open),
# unchanged, and installed from its own package on the user's machine.
WEAK = {"pygame": "LGPL-2.1, used as a library, unchanged"}


def shipped() -> list[str]:
    """Names of all packages that the program needs, those that they need too, without the groups for tests."""
    packages = {p["name"]: p for p in tomllib.loads(LOCK.read_text("utf-8"))["package"]}
    root = next(p for p in packages.values() if p["name"] == "creaseside")
    todo, seen = [d["name"] for d in root["dependencies"]], set()
    while todo:
        name = todo.pop()
        if name not in seen:
            seen.add(name)
            todo += [d["name"] for d in packages[name].get("dependencies", ())]
    return sorted(seen)


def licence(name: str) -> str | None:
    """In the package's own words; None where it is not installed here (another system's)."""
    try:
        told = metadata.metadata(name)
    except metadata.PackageNotFoundError:
        return None
    classes = [c.split("::")[-1].strip() for c in told.get_all("Classifier") or () if c.startswith("License ::")]
    short = (told.get("License-Expression") or told.get("License") or "").strip().splitlines()[:1]
    return "; ".join(filter(None, [*short, *classes])) or _first_words(name)


def _first_words(name: str) -> str:
    """Of its licence file, for a package that says nothing else."""
    files = [f for f in metadata.files(name) or () if re.fullmatch(r"(LICEN[CS]E|COPYING)(\.\w+)?", f.name)]
    lines = [line.strip() for f in files for line in f.read_text("utf-8").splitlines() if line.strip()]
    return lines[0] if lines else "not told"


def test_there_is_a_lock_and_it_is_followed():
    assert len(shipped()) > 20 and "mediapipe" in shipped() and "pytest" not in shipped()


@pytest.mark.parametrize("name", shipped())
def test_nothing_that_is_shipped_is_strong_copyleft(name):
    told = licence(name)
    if told is None:
        pytest.skip("for another system")
    assert not COPYLEFT.search(told) or name in WEAK, f"{name}: {told}"


def test_every_package_of_the_lock_has_a_hash():
    """So that what is installed is what was locked."""
    for package in tomllib.loads(LOCK.read_text("utf-8"))["package"]:
        if "registry" in package.get("source", {}):
            files = [*package.get("wheels", ()), *([package["sdist"]] if "sdist" in package else ())]
            assert files and all(f["hash"].startswith("sha256:") for f in files), package["name"]


if __name__ == "__main__":
    for package in shipped():
        print(f"{package:<28} {licence(package) or 'not installed on this system'}")
