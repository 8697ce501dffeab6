"""Settings: every default, its unit and its limits in one table; a settings file is refused with all its faults at once.

This room reads no disk: it is handed a mapping (from TOML or the command line) and gives a frozen Settings, or raises
Faults that name each key, what was found and what is allowed.
"""
from __future__ import annotations

import dataclasses
import difflib
import re
from dataclasses import dataclass, field
from typing import Any, Mapping

from creaseside.ball import BY_NAME


class Faults(ValueError):
    """All that is wrong with the settings, one line a fault."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("; ".join(faults))
        self.faults = tuple(faults)


def _of(default: Any, what: str, low: float | None = None, high: float | None = None, choices: tuple = ()) -> Any:
    """A setting: its default, what it is (with its unit), and what it may be."""
    return field(default=default, metadata={"what": what, "low": low, "high": high, "choices": choices})


@dataclass(frozen=True, slots=True)
class Camera:
    source: str = _of("", "camera number, device path or video file; empty: the demo net")
    width_px: int = _of(1280, "asked width", 320, 4096)
    height_px: int = _of(720, "asked height", 240, 2304)
    fps: float = _of(120.0, "asked frames per second", 10, 500)
    marks: str = _of("", "marks file; empty: marks.toml in the home folder")
    reel_s: float = _of(8.0, "seconds of picture kept in memory", 4, 60)


@dataclass(frozen=True, slots=True)
class Screen:
    fullscreen: bool = _of(True, "use the whole screen where there is one")
    width_px: int = _of(1280, "window width", 640, 7680)
    height_px: int = _of(720, "window height", 360, 4320)
    screen_inches: float = _of(43.0, "diagonal of the screen, inches", 7, 120)
    view_distance_m: float = _of(8.0, "how far the player stands, metres", 1, 25)
    language: str = _of("en", "language of the screen", choices=("en", "hi"))
    blur_waiting: bool = _of(True, "while nobody is up, the picture of the net is too coarse to know anybody in it")
    opens: str = _of("", "the screen is black and no picture is kept in memory before this hour, HH:MM; empty: always open")
    closes: str = _of("", "and from this hour on, HH:MM; the two go together")


@dataclass(frozen=True, slots=True)
class Sound:
    device: str = _of("", "output device by name; empty: the system's own choice")
    volume: float = _of(0.8, "0 silent to 1", 0, 1)


@dataclass(frozen=True, slots=True)
class Feedback:
    # Feedback that comes at once is learned from worse than after a few seconds (Swinnen et al. 1990).
    cue_delay_s: float = _of(1.5, "the cue comes this long after release, not earlier", 0.3, 10)
    replay_delay_s: float = _of(3.0, "the replay starts this long after release", 1, 20)
    slow: float = _of(0.25, "speed of the picture through the landing, 1 real", 0.05, 1)
    stop_s: float = _of(3.0, "how long the picture stands at front foot contact", 0.5, 10)


@dataclass(frozen=True, slots=True)
class FocusCue:
    measure: str = _of("", "what is judged: a measure's name; empty: no cue", choices=("", *BY_NAME))
    at_least: float | None = _of(None, "lower post of the gate, in the measure's unit")
    at_most: float | None = _of(None, "upper post of the gate, in the measure's unit")
    words: str = _of("", "the cue in words; empty: the measure's own")


@dataclass(frozen=True, slots=True)
class Plan:
    blocks: str = _of("", "a session's blocks, as in warm_up 6, baseline 6, focus 12, no_feedback 6; usual: by age; empty: no plan")
    feedback: str = _of("every", "on which balls of the focus block feedback is given",
                        choices=("every", "outside", "fading", "on_request"))


@dataclass(frozen=True, slots=True)
class Radar:
    unit: str = _of("km/h", "unit of the ball speeds that are typed in", choices=("km/h", "mph"))


@dataclass(frozen=True, slots=True)
class Log:
    keep_days: int = _of(28, "how long a clip is kept, days", 0, 3650)
    clip_before_s: float = _of(2.0, "seconds of clip before front foot contact", 0.5, 10)
    clip_after_s: float = _of(1.0, "seconds of clip after it", 0.3, 5)


@dataclass(frozen=True, slots=True)
class Settings:
    camera: Camera = Camera()
    screen: Screen = Screen()
    sound: Sound = Sound()
    feedback: Feedback = Feedback()
    focus: FocusCue = FocusCue()
    plan: Plan = Plan()
    radar: Radar = Radar()
    log: Log = Log()


def from_mapping(given: Mapping[str, Any]) -> Settings:
    """Settings from nested tables; every fault is found before anything is refused."""
    faults: list[str] = []
    parts = {f.name: f for f in dataclasses.fields(Settings)}
    made = {}
    for section, table in given.items():
        if section not in parts:
            faults.append(_unknown(section, parts))
        elif not isinstance(table, Mapping):
            faults.append(f"{section}: asked a table [{section}], found {table!r}")
        else:
            made[section] = _section(type(parts[section].default), section, table, faults)
    if faults:
        raise Faults(faults)
    settings = Settings(**made)
    _hours(settings.screen)
    low, high = settings.focus.at_least, settings.focus.at_most
    if low is not None and high is not None and low >= high:
        raise Faults([f"focus: at_least {low:g} is not below at_most {high:g}"])
    return settings


def _hours(screen: Screen) -> None:
    faults = [f"screen.{key}: asked an hour as HH:MM, found {hour!r}"
              for key, hour in (("opens", screen.opens), ("closes", screen.closes))
              if hour and not re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", hour)]
    if not faults and (bool(screen.opens) is not bool(screen.closes) or screen.opens == screen.closes != ""):
        faults = ["screen: opens and closes go together, and are two different hours"]
    if faults:
        raise Faults(faults)


def _section(kind: type, section: str, table: Mapping[str, Any], faults: list[str]) -> Any:
    known = {f.name: f for f in dataclasses.fields(kind)}
    good = {}
    for key, value in table.items():
        if key not in known:
            faults.append(_unknown(key, known, section + "."))
            continue
        fault, value = _checked(known[key], value)
        if fault:
            faults.append(f"{section}.{key}: {fault}")
        else:
            good[key] = value
    return kind(**good)


def _checked(f: dataclasses.Field, value: Any) -> tuple[str | None, Any]:
    """The fault (or None) and the value in the setting's own type."""
    words = str(f.type)
    number = "int" in words or "float" in words
    if isinstance(value, bool) is not ("bool" in words) or (number and not isinstance(value, (int, float))) \
            or ("str" in words and not isinstance(value, str)):
        return f"asked {words} ({f.metadata['what']}), found {value!r}", None
    if number and not abs(value) < 1e300:                 # TOML knows nan and inf
        return f"asked a number ({f.metadata['what']}), found {value!r}", None
    if words == "int" and value != int(value):
        return f"asked a whole number, found {value!r}", None
    low, high, choices = f.metadata["low"], f.metadata["high"], f.metadata["choices"]
    if low is not None and not low <= value <= high:      # also refuses NaN
        return f"asked {low:g} to {high:g} ({f.metadata['what']}), found {value:g}", None
    if choices and value not in choices:
        near = difflib.get_close_matches(value, choices, 1)
        hint = f", did you mean {near[0]!r}?" if near else f"; one of {', '.join(c for c in choices if c)}"
        return f"found {value!r}{hint}", None
    return None, int(value) if words == "int" else float(value) if number else value


def _unknown(key: str, known: Mapping[str, Any], prefix: str = "") -> str:
    near = difflib.get_close_matches(key, known, 1)
    return f"{prefix}{key}: no such setting" + (f", did you mean {near[0]!r}?" if near else f"; one of {', '.join(known)}")
