"""Settings: all faults at once, each with its key, what was found and what is allowed."""

from __future__ import annotations

import dataclasses
import math

import pytest

from creaseside.settings import Faults, Settings, from_mapping


def faults(given) -> tuple[str, ...]:
    with pytest.raises(Faults) as caught:
        from_mapping(given)
    return caught.value.faults


def test_nothing_given_is_the_defaults():
    assert from_mapping({}) == Settings() == from_mapping({"camera": {}, "log": {}})


def test_what_is_given_counts_and_the_rest_stays():
    s = from_mapping(
        {"camera": {"fps": 60}, "focus": {"measure": "front_knee_ffc_deg", "at_least": 160, "at_most": 172.5}}
    )
    assert s.camera.fps == 60.0 and isinstance(s.camera.fps, float) and s.camera.width_px == 1280
    assert (s.focus.at_least, s.focus.at_most) == (160.0, 172.5) and s.screen == Settings().screen


def test_every_fault_is_told_at_once_and_named():
    found = faults(
        {
            "camera": {"fps": 5, "widht_px": 1280, "height_px": "720"},
            "sound": {"volume": 2},
            "feedbak": {},
            "screen": {"fullscreen": 1, "language": "fr"},
            "log": 3,
        }
    )
    assert len(found) == 8
    for key in (
        "camera.fps",
        "camera.widht_px",
        "camera.height_px",
        "sound.volume",
        "feedbak",
        "screen.fullscreen",
        "screen.language",
        "log",
    ):
        assert sum(f.startswith(key + ":") for f in found) == 1, key
    assert "; ".join(found) == str(Faults(list(found))) and "\n" not in "".join(found)


@pytest.mark.parametrize(
    "given, words",
    [
        ({"camera": {"widht_px": 1}}, "did you mean 'width_px'"),
        ({"feedbak": {}}, "did you mean 'feedback'"),
        ({"log": {"keep_day": 1}}, "did you mean 'keep_days'"),
        ({"zzz": {}}, "one of camera, screen"),
        ({"sound": {"zzz": 1}}, "one of device, volume"),
        ({"focus": {"measure": "front_knee_fcc_deg"}}, "did you mean 'front_knee_ffc_deg'"),
        ({"screen": {"language": "xx"}}, "one of en, hi"),
    ],
)
def test_an_unknown_name_is_answered_with_the_nearest(given, words):
    assert words in faults(given)[0]


@pytest.mark.parametrize(
    "section, key",
    [
        (s.name, f.name)
        for s in dataclasses.fields(Settings)
        for f in dataclasses.fields(s.default)
        if f.metadata["low"] is not None
    ],
)
def test_limits_are_allowed_and_nothing_beyond(section, key):
    f = next(f for f in dataclasses.fields(getattr(Settings(), section)) if f.name == key)
    low, high = f.metadata["low"], f.metadata["high"]
    for good in (low, high):
        assert getattr(getattr(from_mapping({section: {key: good}}), section), key) == good
    step = 1 if f.type == "int" else 1e-6
    for bad in (low - step, high + step):
        assert faults({section: {key: bad}})[0].startswith(f"{section}.{key}: asked {low:g} to {high:g}")


@pytest.mark.parametrize(
    "section, key, bad",
    [
        ("camera", "width_px", 1280.5),
        ("camera", "width_px", "1280"),
        ("camera", "width_px", True),
        ("camera", "fps", False),
        ("camera", "source", 0),
        ("screen", "fullscreen", "yes"),
        ("screen", "fullscreen", 0),
        ("sound", "device", None),
        ("focus", "at_least", "160"),
        ("focus", "measure", 7),
        ("log", "keep_days", [28]),
        ("camera", "fps", None),
    ],
)
def test_a_wrong_type_is_a_fault_that_shows_what_was_found(section, key, bad):
    found = faults({section: {key: bad}})
    assert len(found) == 1 and found[0].startswith(f"{section}.{key}: ") and repr(bad) in found[0]


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize(
    "section, key", [("camera", "fps"), ("sound", "volume"), ("feedback", "slow"), ("log", "clip_after_s")]
)
def test_what_is_no_number_is_outside_every_limit(section, key, bad):
    assert len(faults({section: {key: bad}})) == 1


@pytest.mark.parametrize("bad", [math.nan, math.inf])
@pytest.mark.parametrize("key", ["at_least", "at_most"])
def test_a_post_is_a_number(key, bad):
    assert faults({"focus": {"measure": "turn_deg", key: bad}})


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_a_whole_number_that_is_none_is_a_fault_not_an_accident(bad):
    assert len(faults({"camera": {"width_px": bad}})) == 1


@pytest.mark.parametrize("low, high", [(170, 160), (160, 160)])
def test_a_shut_gate_is_refused(low, high):
    assert "not below" in faults({"focus": {"measure": "front_knee_ffc_deg", "at_least": low, "at_most": high}})[0]


def test_every_setting_says_what_it_is_and_its_default_is_allowed():
    given = {}
    for section in dataclasses.fields(Settings):
        fields = dataclasses.fields(section.default)
        assert all(f.metadata["what"] for f in fields)
        given[section.name] = {
            f.name: getattr(section.default, f.name) for f in fields if getattr(section.default, f.name) is not None
        }
    assert from_mapping(given) == Settings()


def test_settings_do_not_change_under_anyone():
    with pytest.raises(dataclasses.FrozenInstanceError):
        Settings().camera.fps = 30
