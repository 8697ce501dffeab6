"""The hall's PC: the unit's promises, updates from a stick, and the way back with the log."""
from __future__ import annotations

import configparser
import hashlib
import os
import re
import shutil
import sqlite3
import subprocess
import zipfile
from contextlib import closing
from pathlib import Path

import pytest

from kiosk.deploy import update
from kiosk.deploy.update import Refused
from kiosk.logbook import Logbook
from tests.kiosk.bowled import home, some_ball

UNIT = Path(update.__file__).with_name("creaseside.service")
MOST_EXPOSED = 1.5          # of systemd-analyze's 10; the unit's own score was 0.9 with systemd 252


@pytest.fixture
def hall(tmp_path):
    """A root with one version and its libraries, and a home with a log of one ball."""
    root = tmp_path / "root"
    old = root / "versions" / "creaseside-1"
    (old / "kiosk").mkdir(parents=True)
    (old / "uv.lock").write_text("lock")
    (root / "libraries" / hashlib.sha256(b"lock").hexdigest()[:16]).mkdir(parents=True)
    update._point(root, "creaseside-1")
    place = home(tmp_path)
    with Logbook(place) as log:
        log.add_ball(log.start_session(), some_ball(1))
    return root, place.home


def stick(folder: Path, name: str = "creaseside-2", lock: str = "lock", more: dict[str, bytes] | None = None) -> Path:
    folder.mkdir(exist_ok=True)
    file = folder / f"{name}.zip"
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as z:
        for member, data in ({"kiosk/start.py": b"", "uv.lock": lock.encode()} | (more or {})).items():
            z.writestr(member, data)
    signed(file)
    return file


def signed(file: Path) -> None:
    file.with_name(file.name + ".sha256").write_text(f"{hashlib.sha256(file.read_bytes()).hexdigest()}  {file.name}\n")


def state(root: Path, home: Path) -> tuple:
    return (os.readlink(root / "current"), sorted(p.name for p in (root / "versions").iterdir()),
            sorted(p.name for p in root.iterdir()), (home / "creaseside.db").read_bytes())


def stepped(log: Path, version: int) -> None:
    with closing(sqlite3.connect(log)) as db:
        db.execute(f"pragma user_version = {version}")


def test_a_new_version_that_runs_stays(hall, tmp_path):
    root, home = hall
    assert update.install(stick(tmp_path / "stick"), root, home) == "creaseside-2"
    assert os.readlink(root / "current") == "versions/creaseside-2" and (root / "current" / ".venv").is_dir()
    assert "1 of 3" in update.starting(root, home)
    assert "stays" in update.runs(root) and not (root / "trial.json").exists()
    assert update.starting(root, home) == "" and update.runs(root) == ""
    assert (home / "creaseside.db.before-creaseside-2").stat().st_mode & 0o077 == 0


def test_a_new_version_is_compiled_for_a_service_that_may_not_write_there(hall, tmp_path):
    root, home = hall
    libraries, = (root / "libraries").iterdir()
    (libraries / "bin").mkdir()
    (libraries / "bin" / "python").symlink_to(shutil.which("python3"))
    module = {"kiosk/__init__.py": b"", "kiosk/good.py": b"x = 1\n", "src/creaseside/__init__.py": b""}
    update.install(stick(tmp_path / "stick", more=module), root, home)
    assert [p.name.split(".")[0] for p in (root / "current" / "kiosk" / "__pycache__").glob("good.*.pyc")] == ["good"]


def test_one_that_does_not_start_goes_back_with_the_log_as_it_was(hall, tmp_path):
    root, home = hall
    before = update._version(home / "creaseside.db")
    update.install(stick(tmp_path / "stick"), root, home)
    for start in range(update.TRIES):
        assert "trial" in update.starting(root, home)
        stepped(home / "creaseside.db", before + 1)           # what a newer program does to a log at its first start
    assert update.starting(root, home) == "went back to creaseside-1"
    assert os.readlink(root / "current") == "versions/creaseside-1" and not (root / "trial.json").exists()
    assert (home / "creaseside.db.of-creaseside-2").exists()  # nothing is thrown away
    from kiosk.place import Place
    with Logbook(Place(home, quiet=True)) as log:
        assert log.notice is None and len(log.balls()) == 1


def test_a_log_that_was_not_stepped_up_is_left_untouched(hall, tmp_path):
    root, home = hall
    log = (home / "creaseside.db").read_bytes()
    update.install(stick(tmp_path / "stick"), root, home)
    assert update.back(root, home) == "creaseside-1"
    assert (home / "creaseside.db").read_bytes() == log and not list(home.glob("*.of-*"))


def bomb(folder: Path) -> Path:
    return stick(folder, more={f"assets/{i}": bytes(40 << 20) for i in range(8)})


def link(folder: Path) -> Path:
    file = stick(folder)
    info = zipfile.ZipInfo("assets")
    info.external_attr = 0o120777 << 16
    with zipfile.ZipFile(file, "a") as z:
        z.writestr(info, "/etc")
    signed(file)
    return file


def unsigned(folder: Path) -> Path:
    file = stick(folder)
    file.with_name(file.name + ".sha256").write_text("0" * 64)
    return file


def half(folder: Path) -> Path:
    file = stick(folder)
    file.write_bytes(file.read_bytes()[:-30])
    signed(file)
    return file


@pytest.mark.parametrize("make, words", [
    (bomb, "300 MiB"), (link, "do not use"), (unsigned, "sha256"), (half, "zip"),
    (lambda f: stick(f, lock="another"), "libraries"), (lambda f: stick(f, "creaseside-1"), "already"),
    (lambda f: stick(f, "-rf"), "name"), (lambda f: stick(f, more={"../../evil": b""}), "do not use"),
    (lambda f: stick(f, more={"/etc/evil": b""}), "do not use"), (lambda f: stick(f, more={"a/../../../evil": b""}), "do not use"),
    (lambda f: stick(f, more={"kiosk\\..\\evil": b""}), "do not use"), (lambda f: f / "none.zip", "stick again")])
def test_a_zip_that_is_wrong_or_means_harm_is_refused_and_nothing_has_changed(hall, tmp_path, make, words, capsys):
    root, home = hall
    file, was = make(tmp_path / "stick"), state(root, home)
    with pytest.raises(Refused, match=words):
        update.install(file, root, home)
    assert state(root, home) == was and not list(tmp_path.rglob("evil"))
    assert update.main(["--root", str(root), "--home", str(home), "install", str(file)]) == 1
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_two_updates_at_once_are_one_too_many(hall, tmp_path):
    root, home = hall
    update.install(stick(tmp_path / "stick"), root, home)
    with pytest.raises(Refused, match="on trial"):
        update.install(stick(tmp_path / "stick", "creaseside-3"), root, home)


def test_the_unit_promises_a_watchdog_restarts_and_no_network():
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str
    unit.read(UNIT)
    service = unit["Service"]
    assert (service["Type"], service["Restart"], service["PrivateNetwork"], service["IPAddressDeny"]) == ("notify", "always", "yes", "any")
    assert 10 <= int(service["WatchdogSec"]) <= 30 and service["UMask"] == "0077" and service["LimitCORE"] == "0"
    assert re.search(r"-m kiosk kiosk$", service["ExecStart"]) and unit["Install"]["WantedBy"] == "graphical.target"


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="no systemd-analyze here")
def test_the_unit_has_the_least_rights():
    done = subprocess.run(["systemd-analyze", "security", "--offline=true", f"--threshold={round(MOST_EXPOSED * 10)}", UNIT],
                          capture_output=True, text=True)
    if "Unknown option" in done.stderr or "unrecognized" in done.stderr:
        pytest.skip("systemd is too old for it")
    assert done.returncode == 0, done.stdout[-300:] + done.stderr


def test_the_installer_is_a_shell_script_that_shells_can_read():
    script = UNIT.with_name("install.sh")
    assert os.access(script, os.X_OK) and subprocess.run(["sh", "-n", script]).returncode == 0
