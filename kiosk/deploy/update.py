"""Update: another version of the program from a stick, and the way back where it does not start.

Standard library only, run as root by the system's own Python:

    python3 update.py install /media/stick/creaseside-1.2.zip    unpack beside the others, copy the log, switch, restart
    python3 update.py back                                       the version before, and its log where the new one stepped it up
    python3 update.py starting | runs                            for the service: counts tries, ends the trial

A zip comes with its sha256 in a file beside it (`…zip.sha256`). It says that the bytes are whole, not who made them:
whoever may write to the stick and has root here decides that. Nothing is fetched: where the new version needs other
libraries (another uv.lock) than one that is here, it is refused and nothing has changed.

    ROOT/versions/NAME    the copies; ROOT/current points at the one that runs
    ROOT/libraries/HASH   an environment for each uv.lock, shared by the versions that have it
    ROOT/trial.json       while a new version is on trial: the one before, the copy of the log, how many starts
"""
from __future__ import annotations

import argparse
import hashlib
import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import zipfile
from contextlib import closing
from pathlib import Path

ROOT, HOME = Path("/opt/creaseside"), Path("/var/lib/creaseside/home")
TRIES = 3                          # starts of a new version that do not come to run
MOST_FILES, MOST_BYTES = 5000, 300 << 20


class Refused(Exception):
    """One line: what was asked, what was found, what to do."""


def install(file: Path, root: Path, home: Path) -> str:
    """Unpack, copy the log, switch; the new version's name. Refused leaves everything as it was."""
    if (root / "trial.json").exists():
        raise Refused("asked an update; found one that is still on trial; start the kiosk, or go back first")
    name = file.stem
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,60}", name):
        raise Refused(f"asked the version {name!r}; found a name that is none; name the zip creaseside-1.2.zip, say")
    if (root / "versions" / name).exists():
        raise Refused(f"asked the version {name}; found it here already; go back to it, or give the zip another name")
    _check_sum(file)
    part = root / "versions" / f"{name}.part"
    shutil.rmtree(part, ignore_errors=True)
    try:
        _unpack(file, part)
        _libraries(part, root)
        _compile(part)
        kept = _copy_log(home, name)
        part.replace(part.with_name(name))
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    before = (root / "current").resolve().name
    _write(root / "trial.json", {"before": before, "log": kept and str(kept), "starts": 0})
    _point(root, name)
    return name


def back(root: Path, home: Path) -> str:
    """The version before, with a log that it can read; its name."""
    trial = _trial(root)
    if trial is None:
        raise Refused("asked the version before; found no update on trial; point ROOT/current at another of ROOT/versions")
    if not (root / "versions" / trial["before"]).is_dir():
        raise Refused(f"asked the version {trial['before']}; found no such folder; install it again")
    kept, log = Path(trial["log"]) if trial["log"] else None, home / "creaseside.db"
    if kept and kept.exists() and log.exists() and _version(log) != _version(kept):
        _put_aside(log, (root / "current").resolve().name)
        shutil.copy2(kept, log)
        _same_owner(log, home)
    _point(root, trial["before"])
    (root / "trial.json").unlink()
    return trial["before"]


def starting(root: Path, home: Path) -> str:
    """Before each start: one more try of a version on trial; the one before comes back where it had enough."""
    trial = _trial(root)
    if trial is None:
        return ""
    if trial["starts"] >= TRIES:
        return f"went back to {back(root, home)}"
    _write(root / "trial.json", trial | {"starts": trial["starts"] + 1})
    return f"on trial, start {trial['starts'] + 1} of {TRIES}"


def runs(root: Path) -> str:
    """The version on trial runs: it stays. The copy of the log stays too, until somebody deletes it."""
    if _trial(root) is None:
        return ""
    (root / "trial.json").unlink()
    return "the new version runs and stays"


def _check_sum(file: Path) -> None:
    told = file.with_name(file.name + ".sha256")
    try:
        words = told.read_text("utf-8").split()
        found = hashlib.sha256(file.read_bytes()).hexdigest()
    except (OSError, ValueError) as e:
        raise Refused(f"asked {file} and {told.name}; found {e}; copy both onto the stick again") from e
    if not words or words[0].lower() != found:
        raise Refused(f"asked {file} with the sha256 in {told.name}; found another; copy both onto the stick again")


def _unpack(file: Path, to: Path) -> None:
    """Files and folders only, inside `to`, of a bounded size whatever the zip says of itself."""
    try:
        with zipfile.ZipFile(file) as z:
            members = z.infolist()
            if len(members) > MOST_FILES:
                raise Refused(f"asked a version of the program; found {len(members)} files; this is something else")
            left = MOST_BYTES
            for member in members:
                left = _member(z, member, to, left)
    except (zipfile.BadZipFile, OSError, EOFError, NotImplementedError, RuntimeError) as e:
        raise Refused(f"asked the zip {file}; found {e}; make it again") from e
    if not (to / "kiosk" / "start.py").is_file() or not (to / "uv.lock").is_file():
        raise Refused(f"asked a version of the program; found no kiosk/start.py and uv.lock in {file}; zip the copy itself")


def _member(z: zipfile.ZipFile, member: zipfile.ZipInfo, to: Path, left: int) -> int:
    path, kind = to / member.filename, member.external_attr >> 28
    inside = os.path.normpath(path) == str(path).rstrip("/") and path.is_relative_to(to) and ".." not in path.parts
    if not inside or "\\" in member.filename or kind not in (0, 4, 8):       # 4: a folder, 8: a file (stat's S_IFMT)
        raise Refused(f"asked files inside one folder; found {member.filename!r}; do not use this zip")
    if member.is_dir():
        path.mkdir(parents=True, exist_ok=True)
        return left
    path.parent.mkdir(parents=True, exist_ok=True)
    with z.open(member) as source, path.open("wb") as out:
        while piece := source.read(1 << 16):
            left -= len(piece)
            if left < 0:
                raise Refused(f"asked at most {MOST_BYTES >> 20} MiB unpacked; found more; do not use this zip")
            out.write(piece)
    return left


def _libraries(copy: Path, root: Path) -> None:
    """The environment that fits its uv.lock; Refused where none here does."""
    lock = hashlib.sha256((copy / "uv.lock").read_bytes()).hexdigest()[:16]
    if not (root / "libraries" / lock).is_dir():
        raise Refused(f"asked the libraries of this version's uv.lock ({lock}); found none of them here; connect the machine "
                      f"once and run python3 kiosk/start.py in a copy, or bring the folder onto the machine as {root}/libraries/{lock}")
    (copy / ".venv").symlink_to(Path("..") / ".." / "libraries" / lock)


def _compile(copy: Path) -> None:
    """For the service, which may not write there and would do it at each start. Where it fails, that is all it costs."""
    python = copy / ".venv" / "bin" / "python"
    if python.exists():
        subprocess.run([python, "-m", "compileall", "-q", "kiosk", "src"], cwd=copy, stdout=subprocess.DEVNULL,
                       stderr=subprocess.DEVNULL)


def _copy_log(home: Path, name: str) -> Path | None:
    """A consistent copy of the log as it is before the new version may step it up."""
    log = home / "creaseside.db"
    if not log.exists():
        return None
    kept = home / f"creaseside.db.before-{name}"
    kept.unlink(missing_ok=True)
    os.close(os.open(kept, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
    with closing(sqlite3.connect(f"{log.absolute().as_uri()}?mode=ro", uri=True)) as now, closing(sqlite3.connect(kept)) as copy:
        now.backup(copy)
    _same_owner(kept, home)
    return kept


def _version(log: Path) -> int:
    with closing(sqlite3.connect(f"{log.absolute().as_uri()}?mode=ro", uri=True)) as db:
        return db.execute("pragma user_version").fetchone()[0]


def _put_aside(log: Path, name: str) -> None:
    for tail in ("", "-wal", "-shm"):
        part = log.with_name(log.name + tail)
        if part.exists():
            part.replace(log.with_name(f"{log.name}.of-{name}{tail}"))


def _same_owner(file: Path, home: Path) -> None:
    if os.geteuid() == 0:
        os.chown(file, home.stat().st_uid, home.stat().st_gid)


def _point(root: Path, name: str) -> None:
    """`current` points there in one step: there is no moment without one."""
    new = root / "current.new"
    new.unlink(missing_ok=True)
    new.symlink_to(Path("versions") / name)
    os.replace(new, root / "current")


def _trial(root: Path) -> dict | None:
    try:
        return json.loads((root / "trial.json").read_text("utf-8"))
    except (FileNotFoundError, ValueError):
        return None


def _write(file: Path, what: dict) -> None:
    part = file.with_name(file.name + ".part")
    with part.open("w", encoding="utf-8") as f:
        f.write(json.dumps(what))
        f.flush()
        os.fsync(f.fileno())
    os.replace(part, file)


def main(argv: list[str] | None = None) -> int:
    asked = argparse.ArgumentParser("update.py", description=__doc__.splitlines()[0])
    asked.add_argument("--root", type=Path, default=ROOT)
    asked.add_argument("--home", type=Path, default=HOME)
    asked.add_argument("what", choices=("install", "back", "starting", "runs"))
    asked.add_argument("zip", type=Path, nargs="?")
    given = asked.parse_args(argv)
    if (given.what == "install") is (given.zip is None):
        asked.error("install, and only install, asks for a zip")
    try:
        if given.what == "install":
            name = install(given.zip, given.root, given.home)
            print(f"{name} is on trial")
            return subprocess.run(["systemctl", "restart", "creaseside"]).returncode if given.root == ROOT else 0
        said = {"back": lambda: back(given.root, given.home), "starting": lambda: starting(given.root, given.home),
                "runs": lambda: runs(given.root)}[given.what]()
        print(said, end="\n" if said else "")
        return 0
    except Refused as e:
        print(" ".join(str(e).split()), file=sys.stderr)
        return 1
    except (OSError, sqlite3.Error) as e:
        print(f"asked {given.what}; found {e}; look at the disk and its rights, and run it as root", file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main())
