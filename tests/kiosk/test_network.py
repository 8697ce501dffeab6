"""No process of the kiosk opens a network connection: traced call by call, and run where there is no network at all."""
from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.kiosk.filmed import numbered_clip

REPO = Path(__file__).parents[2]
PATIENCE_S = 280
NETWORK = re.compile(r"socket\(AF_(?!UNIX)\w+|sa_family=AF_(?!UNIX|UNSPEC)\w+")


@pytest.fixture
def clip(tmp_path):
    file = tmp_path / "short.avi"
    numbered_clip(file, 15)
    return file


def kiosk(folder: Path, clip: Path) -> list[str]:
    return [sys.executable, "-m", "kiosk", "--home", str(folder / "home"), "kiosk", "--headless", "--until-end",
            "--source", str(clip), "--json"]


def run(args: list[str]) -> subprocess.CompletedProcess:
    env = os.environ | {"PYTHONPATH": f"{REPO / 'src'}{os.pathsep}{REPO}"}
    return subprocess.run(args, cwd=REPO, env=env, capture_output=True, text=True, timeout=PATIENCE_S)


@pytest.fixture(scope="module")
def alone() -> list[str]:
    """What starts a command where there is no network; nothing where such a place is not to be had."""
    here = shutil.which("unshare") and subprocess.run(["unshare", "-n", "true"], capture_output=True).returncode == 0
    return ["unshare", "-n"] if here else []


@pytest.mark.skipif(not shutil.which("strace"), reason="needs strace (apt-get install strace)")
def test_no_process_makes_a_socket_of_the_network(tmp_path, clip, alone):
    """Call by call, all processes; and where it can be, in an empty network, where it runs all the same."""
    trace = tmp_path / "trace"
    done = run([*alone, "strace", "-f", "-q", "--seccomp-bpf", "-e", "trace=network", "-o", str(trace), *kiosk(tmp_path, clip)])
    if "ptrace" in done.stderr or not trace.exists():
        pytest.skip("no tracing in here")
    assert done.returncode == 0 and '"frames": 15' in done.stdout and "Traceback" not in done.stderr, done.stderr
    assert [line for line in trace.read_text(errors="replace").splitlines() if NETWORK.search(line)] == []


def test_the_search_is_one_that_finds():
    assert NETWORK.search("7 socket(AF_INET, SOCK_STREAM, 0) = 3") and NETWORK.search("connect(3, {sa_family=AF_INET6, ...")
    assert not NETWORK.search("9 socket(AF_UNIX, SOCK_DGRAM, 0) = 4")
