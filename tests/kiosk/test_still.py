"""Whether a process stands still: real ones, stopped, asleep and at work."""
from __future__ import annotations

import os
import signal
import subprocess
import sys

import pytest

from kiosk import still
from kiosk.still import Watch

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the system says so in /proc")
WAITS = "import sys; print('there', flush=True); sys.stdin.read()"
WORKS = "print('there', flush=True)\nwhile True: pass"


@pytest.fixture
def process():
    made = []

    def make(code: str) -> int:
        made.append(subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE))
        made[-1].stdout.readline()
        return made[-1].pid
    yield make
    for one in made:
        one.kill()
        one.communicate()


def test_one_that_waits_is_idle_and_not_stopped(process):
    pid = process(WAITS)
    while not still.look(pid).asleep:       # it has said that it is there, and is about to read
        pass
    watch = Watch(pid)
    assert [watch.still(3, 2) for _ in range(3)] == [False, False, True]
    assert not any(Watch(pid).still(3, None) for _ in range(5))


def test_one_that_was_stopped_is_told_at_the_third_look(process):
    pid = process(WORKS)
    os.kill(pid, signal.SIGSTOP)
    os.waitpid(pid, os.WUNTRACED)
    watch = Watch(pid)
    assert [watch.still(3, None) for _ in range(3)] == [False, False, True]
    os.kill(pid, signal.SIGCONT)
    os.waitpid(pid, os.WCONTINUED)
    assert not watch.still(3, None)


def test_one_at_work_and_one_that_is_gone_are_not_still(process):
    watch = Watch(process(WORKS))
    assert not any(watch.still(3, 2) for _ in range(20))
    assert still.look(2 ** 22 + 1) is None and not any(Watch(2 ** 22 + 1).still(1, 1) for _ in range(3))
