"""Start: from a fresh copy to a running kiosk, with the standard library alone.

    python3 kiosk/start.py              set up what is missing, then run the kiosk
    python3 kiosk/start.py test         the same with the test tools, then the whole suite
    python3 kiosk/start.py ANYTHING     the same, then `creaseside ANYTHING`

It makes .venv from uv.lock, fetches the pose models and looks for the system libraries. What is there is left as it is:
a second run downloads nothing. This room decides nothing about the kiosk itself.
"""
from __future__ import annotations

import ctypes
import glob
import hashlib
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Callable, NamedTuple

REPO = Path(__file__).resolve().parents[1]
VENV = REPO / ".venv"
WINDOWS = os.name == "nt"
BIN = VENV / ("Scripts" if WINDOWS else "bin")
PYTHON = BIN / ("python.exe" if WINDOWS else "python")
STAMP = VENV / "creaseside.json"
UV = "uv==0.13.9"
BOTH_CORES = ("-n", "2", "--dist", "loadfile")   # of the small PC; what a file has set up for itself is set up once
PYTHONS = ((3, 11), (3, 12))   # the pose library 0.10.21 has wheels for these
MACHINES = {"Linux": ("x86_64",), "Windows": ("AMD64",), "Darwin": ("x86_64", "arm64")}


class Package(NamedTuple):
    """A Debian package, how to see cheaply that what we need of it is here, and what is lost without it."""

    name: str
    here: Callable[[], bool]
    without: str = ""   # empty: nothing works without it


def library(soname: str) -> Callable[[], bool]:
    def here() -> bool:
        try:
            ctypes.CDLL(soname)
        except OSError:
            return False
        return True
    return here


def program(name: str) -> Callable[[], bool]:
    return lambda: shutil.which(name) is not None


def file(pattern: str) -> Callable[[], bool]:
    return lambda: bool(glob.glob(pattern))


KIOSK_PACKAGES = (
    Package("libgl1", library("libGL.so.1")),
    Package("libglib2.0-0", library("libgthread-2.0.so.0")),
    Package("libportaudio2", library("libportaudio.so.2"), "sound goes another way, later by some milliseconds"),
)
TEST_PACKAGES = (
    Package("libegl1", library("libEGL.so.1"), "no footage can be rendered"),
    Package("libgl1-mesa-dri", file("/usr/lib/*/dri/swrast_dri.so"), "no footage can be rendered"),
    Package("ffmpeg", program("ffmpeg"), "some clips cannot be read back by another program"),
    Package("libasound2-plugins", file("/usr/lib/*/alsa-lib/libasound_module_pcm_pulse.so"), "no test of real sound"),
    Package("pulseaudio", program("pulseaudio"), "no test of real sound"),
    Package("pulseaudio-utils", program("parec"), "no test of real sound"),
    Package("xvfb", program("Xvfb"), "no test of a real window"),
    Package("strace", program("strace"), "the network is not watched call by call"),
    Package("chromium", lambda: program("chromium")() or program("chromium-browser")(),
            "no page is opened in a browser"),
    Package("opencv-doc", file("/usr/share/doc/opencv-doc/*"), "no check against its calibration pictures"),
)


class Stopped(Exception):
    """What was asked, what was found, what to do, in one line."""


def say(text: str, end: str = "\n") -> None:
    print(text, end=end, file=sys.stderr, flush=True)


def refusal(version: tuple, system: str, machine: str) -> str:
    """Why this Python cannot run the kiosk; empty where it can."""
    if machine not in MACHINES.get(system, ()):
        return (f"asked Linux or Windows on x86_64, or macOS; found {system} on {machine}; "
                "use another machine, since the pose library has no build for this one")
    if tuple(version[:2]) not in PYTHONS:
        return (f"asked Python 3.11 or 3.12; found {version[0]}.{version[1]}; "
                "install python3.11 (with its venv module) and start again")
    return ""


def right_python() -> str | None:
    """Another Python on the PATH that can run the kiosk."""
    for major, minor in PYTHONS:
        found = shutil.which(f"python{major}.{minor}")
        code = f"import sys, venv, ctypes; sys.exit(sys.version_info[:2] != ({major}, {minor}))"
        if found and subprocess.run([found, "-c", code], capture_output=True).returncode == 0:
            return found
    return None


def is_debian(os_release: str) -> bool:
    lines = dict(line.split("=", 1) for line in os_release.splitlines() if "=" in line)
    ids = f"{lines.get('ID', '')} {lines.get('ID_LIKE', '')}".replace('"', "").split()
    return bool({"debian", "ubuntu"}.intersection(ids))


def apt_line(packages: list[Package]) -> str:
    return f"sudo apt-get install -y {' '.join(p.name for p in packages)}"


def missing_line(missing: list[Package], debian: bool) -> str:
    """One line: what is missing, what that costs, the exact cure."""
    named = ", ".join(p.name + (f" ({p.without})" if p.without else "") for p in missing)
    cure = f"run: {apt_line(missing)}" if debian else "install what carries these on this system"
    return f"missing on this machine: {named}; {cure}"


def need_libraries(test: bool) -> None:
    """See that the system libraries are here; install them as root on Debian, else say which are missing."""
    if platform.system() != "Linux":
        return
    missing = [p for p in KIOSK_PACKAGES + (TEST_PACKAGES if test else ()) if not p.here()]
    if not missing:
        return
    release = Path("/etc/os-release")
    debian = release.exists() and is_debian(release.read_text("utf-8")) and shutil.which("apt-get") is not None
    if debian and os.geteuid() == 0:
        install(missing)
        missing = [p for p in missing if not p.here()]
    if missing:
        line = missing_line(missing, debian)
        if not all(p.without for p in missing):
            raise Stopped(line)
        say(f"creaseside: {line}")


def install(packages: list[Package]) -> None:
    """All at once, or one by one where that fails: one that is not to be had must not take the others with it."""
    apt_get = ["apt-get", "-q", "-y", "-o", "DPkg::Lock::Timeout=120"]
    run("the list of system packages", [*apt_get, "update"], stop=False)
    names = [p.name for p in packages]
    for group in [names], [[n] for n in names]:
        if all([run(f"system packages: {' '.join(some)}", [*apt_get, "install", "--no-install-recommends", *some],
                    stop=False, more_env={"DEBIAN_FRONTEND": "noninteractive"}) for some in group]):
            return


def wanted(lock: bytes, groups: list[str]) -> dict:
    return {"lock": hashlib.sha256(lock).hexdigest(), "groups": groups}


def is_current(stamp: Path, want: dict, venv_version: str) -> bool:
    """The environment was made from this lock, for this Python, with at least these groups."""
    try:
        had = json.loads(stamp.read_text("utf-8"))
        same = (had["lock"], had["python"]) == (want["lock"], venv_version)
        return same and set(want["groups"]) <= set(had["groups"])
    except (OSError, ValueError, KeyError, TypeError):
        return False


def venv_version(venv: Path) -> str:
    """The version of the environment's Python; empty where there is no environment that works."""
    try:
        lines = (venv / "pyvenv.cfg").read_text("utf-8").splitlines()
    except OSError:
        return ""
    found = dict(line.split(" = ", 1) for line in lines if " = " in line)
    python = venv / PYTHON.relative_to(VENV)
    return found.get("version", found.get("version_info", "")) if python.exists() else ""


def need_environment(test: bool) -> None:
    want = wanted((REPO / "uv.lock").read_bytes(), ["test"] if test else [])
    if not is_current(STAMP, want, venv_version(VENV)):
        STAMP.unlink(missing_ok=True)
        make_environment(want["groups"])
        STAMP.write_text(json.dumps({**want, "python": venv_version(VENV)}), "utf-8")
    link()


def make_environment(groups: list[str]) -> None:
    if tuple(venv_version(VENV).split(".")[:2]) not in {tuple(map(str, v)) for v in PYTHONS}:
        run("a Python environment in .venv", [sys.executable, "-m", "venv", "--without-pip", "--clear", str(VENV)])
    uv = BIN / ("uv.exe" if WINDOWS else "uv")
    if not uv.exists():
        with_pip = run("pip", [sys.executable, "-m", "pip", "--version"], stop=False, quick=True)
        if not with_pip and not run("pip of its own", [str(PYTHON), "-m", "ensurepip"], stop=False):
            raise Stopped("asked pip to fetch the libraries; found a Python without it; "
                          "run: sudo apt-get install -y python3-pip python3-venv")
        pip = [sys.executable, "-m", "pip", "--python", str(PYTHON)] if with_pip else [str(PYTHON), "-m", "pip"]
        run("the installer (uv)", [*pip, "install", "-q", "--disable-pip-version-check", UV])
    extra = [word for group in groups for word in ("--group", group)]
    sync = [str(uv), "sync", "--frozen", "--no-install-project", "--inexact", "--compile-bytecode", *extra]
    run("the libraries in uv.lock, some 160 MB the first time",
        [*sync, "--project", str(REPO), "--python", str(PYTHON)], more_env={"UV_PROJECT_ENVIRONMENT": str(VENV)})
    # Compiled once, for a service that may not write here: else each of its starts does it, 1.2 s of processor time (measured).
    run("the program", [str(PYTHON), "-m", "compileall", "-q", "kiosk", "src"], stop=False, quick=True)


def link() -> None:
    """Let the environment see this copy of the source, and put a `creaseside` beside its Python."""
    site = VENV / "Lib" / "site-packages" if WINDOWS else next(VENV.glob("lib/python3*/site-packages"))
    keep(site / "creaseside.pth", f"{REPO / 'src'}\n{REPO}\n")
    if WINDOWS:
        keep(BIN / "creaseside.cmd", f'@"{PYTHON}" -m kiosk %*\r\n')
        return
    launcher = BIN / "creaseside"
    keep(launcher, f'#!/bin/sh\nexec "{PYTHON}" -m kiosk "$@"\n')
    launcher.chmod(0o755)


def keep(path: Path, text: str) -> None:
    """Write only what has changed, and whole: another start may read it meanwhile."""
    if path.exists() and path.read_bytes() == text.encode():
        return
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    part.write_bytes(text.encode())
    os.replace(part, path)


def need_models() -> None:
    """Build and fetch the pose models. Without a network the light one is enough to start with."""
    if not run("the pose models, 170 MB the first time", [str(PYTHON), "-m", "kiosk.models"], stop=False, quick=True):
        say("creaseside: going on with the pose models that are here; "
            "knees are measured less well until the others are")


def run(what: str, command: list[str], stop: bool = True, quick: bool = False, more_env: dict | None = None) -> bool:
    """Run a step of the set-up and show that it goes on: a dot every two seconds.

    Its output is shown only where it fails. `stop`: a failure ends the set-up. `quick`: usually done at once, so say
    nothing unless it takes longer.
    """
    with tempfile.TemporaryFile("w+", encoding="utf-8", errors="replace") as told:
        try:
            step = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=told, stderr=subprocess.STDOUT,
                                    env={**os.environ, **(more_env or {})}, cwd=REPO)
        except OSError as e:
            raise Stopped(f"asked to run {command[0]}; found {e.strerror or e}; see that it can be run") from e
        said = not quick and not say(f"creaseside: setting up {what} ", end="")
        status = _wait(step)
        while status is None:
            say("." if said else f"creaseside: setting up {what} .", end="")
            said, status = True, _wait(step)
        if said:
            say("" if status == 0 else " failed")
        if status == 0:
            return True
        told.seek(0)
        last = [line.strip() for line in told.read().splitlines() if line.strip()][-8:]
    if last:
        say("\n".join("  | " + line for line in last))
    if stop:
        raise Stopped(f"asked for {what}; found that `{Path(command[0]).name}` failed with {status}, see above; "
                      "connect this machine to the network for its first start, then start again")
    return False


def _wait(step: subprocess.Popen) -> int | None:
    try:
        return step.wait(timeout=2)
    except subprocess.TimeoutExpired:
        return None


def become(command: list[str]) -> int:
    """Give this process over to the command (on Windows: run it), and with it the exit status."""
    sys.stdout.flush()
    sys.stderr.flush()
    if WINDOWS:
        return subprocess.call(command)
    os.execv(command[0], command)


def main(args: list[str]) -> int:
    try:
        why = refusal(sys.version_info, platform.system(), platform.machine())
        if why:
            other = right_python() if not refusal((*PYTHONS[0], 0), platform.system(), platform.machine()) else None
            if not other:
                raise Stopped(why)
            return become([other, str(Path(__file__).resolve()), *args])
        test = args[:1] == ["test"]
        need_libraries(test)
        need_environment(test)
        need_models()
    except Stopped as e:
        say(f"creaseside: {e}")
        return 1
    except OSError as e:
        say(f"creaseside: asked to set up in {REPO}; found {e}; make room there, or make it writable")
        return 1
    except KeyboardInterrupt:
        say("\ncreaseside: stopped; start again and it goes on from here")
        return 1
    if test:
        os.chdir(REPO)
        return become([str(PYTHON), "-m", "pytest", *BOTH_CORES, *args[1:]])
    return become([str(PYTHON), "-m", "kiosk", *(args or ["kiosk"])])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
