"""The coach's PIN: kept as a hash, checked, and slow for whoever guesses."""
from __future__ import annotations

import io
import json
import stat
from datetime import timedelta

import argon2
import pytest

from kiosk.__main__ import main
from kiosk.faults import Fault
from kiosk.pin import FIRST_WAIT_S, FREE_TRIES, LONGEST_WAIT_S, Pin
from tests.kiosk.bowled import JumpingClock, home


@pytest.fixture
def clock() -> JumpingClock:
    return JumpingClock()


@pytest.fixture
def pin(tmp_path, clock) -> Pin:
    return Pin(home(tmp_path), clock)


def test_the_right_one_opens_and_a_wrong_one_does_not(pin):
    assert not pin.is_set
    pin.set("0420")
    assert pin.is_set and pin.check("0420") and not pin.check("420") and not pin.check("0421") and pin.check("0420")


@pytest.mark.parametrize("bad", ["", "123", "1234567890123", "12a4", "12 4", "१२३४"])
def test_a_pin_is_four_to_twelve_digits(pin, bad):
    with pytest.raises(Fault, match="4 to 12 digits"):
        pin.set(bad)
    assert not pin.is_set


def test_without_a_pin_there_is_nothing_to_check(pin):
    with pytest.raises(Fault, match="set one"):
        pin.check("1234")


def test_the_file_is_its_owners_alone_and_holds_no_pin(pin, tmp_path):
    pin.set("73919283")
    pin.check("0000")
    file = tmp_path / "home" / "pin.json"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600 and "73919283" not in file.read_text()


def test_as_slow_as_the_standard_recommends(pin, tmp_path):
    """RFC 9106, section 4: the second recommended option is argon2id with t=3, p=4, m=64 MiB, and a tag of 32 bytes."""
    pin.set("1234")
    found = argon2.extract_parameters(json.loads((tmp_path / "home" / "pin.json").read_text())["hash"])
    assert (found.type, found.version, found.time_cost, found.parallelism, found.memory_cost, found.hash_len) == \
        (argon2.Type.ID, 19, 3, 4, 64 * 1024, 32)


def test_the_librarys_hash_is_argon2():
    """The reference implementation's own example: `echo -n password | argon2 somesalt -t 2 -m 16 -p 4 -l 24` (argon2i)."""
    raw = argon2.low_level.hash_secret_raw(b"password", b"somesalt", 2, 65536, 4, 24, argon2.Type.I)
    assert raw.hex() == "45d7ac72e76f242b20b77b9bf9bf9d5915894e669a24e6c6"


def test_after_a_few_wrong_ones_each_costs_more(pin, clock, monkeypatch):
    pin.set("1234")
    monkeypatch.setattr("kiosk.pin._is", lambda hash, pin: pin == "1234")
    for _ in range(FREE_TRIES):
        assert pin.wait_s == 0
        pin.check("0000")
    waits = []
    for _ in range(7):
        waits.append(pin.wait_s)
        assert not pin.check("1234")               # the right one is not looked at either
        clock.pass_s(waits[-1] - 0.5)
        assert not pin.check("1234")
        clock.pass_s(0.5)
        assert not pin.check("0000")
    assert waits == [min(FIRST_WAIT_S * 2**n, LONGEST_WAIT_S) for n in range(7)]
    clock.pass_s(LONGEST_WAIT_S)
    assert pin.check("1234") and pin.wait_s == 0 and not pin.check("0000") and pin.check("1234")


def test_a_restart_or_a_clock_set_back_forgets_nothing(tmp_path, clock, monkeypatch):
    monkeypatch.setattr("kiosk.pin._is", lambda hash, pin: False)
    first = Pin(home(tmp_path), clock)
    first.set("1234")
    for _ in range(FREE_TRIES):
        first.check("0000")
    assert Pin(home(tmp_path), clock).wait_s == FIRST_WAIT_S
    clock.ahead = -timedelta(days=3)
    again = Pin(home(tmp_path), clock)
    assert again.wait_s == FIRST_WAIT_S and not again.check("1234")
    clock.pass_s(FIRST_WAIT_S)
    assert again.wait_s == 0


def test_a_file_that_cannot_be_read_opens_nothing(pin, tmp_path):
    pin.set("1234")
    (tmp_path / "home" / "pin.json").write_text("{")
    with pytest.raises(Fault, match="delete the file"):
        pin.check("1234")
    with pytest.raises(Fault, match="delete the file"):
        bool(pin.is_set)


def test_the_command_sets_it_and_asks_for_the_old_one(tmp_path, monkeypatch, capsys):
    def typed(*lines: str) -> int:
        monkeypatch.setattr("sys.stdin", io.StringIO("\n".join(lines)))
        return main(["pin", "--stdin", "--json", "--home", str(tmp_path / "home")])
    assert typed("1234") == 0 and typed("9999", "5678") == 1 and typed("1234", "5678") == 0
    assert "try again" in capsys.readouterr().err
    assert Pin(home(tmp_path)).check("5678")
