"""The documents: the commands, settings, marks, measures and paths that they name are there, and none is left out.

`PYTHONPATH=src:. .venv/bin/python -m tests.kiosk.test_docs` writes config/settings.toml anew from the table of settings.
"""
from __future__ import annotations

import dataclasses
import re
import shlex
import tomllib
from pathlib import Path
from typing import Any, Iterator

import click
import pytest

from creaseside.ball import QUANTITIES
from creaseside.pitch import MARKS
from creaseside.settings import Settings, from_mapping
from kiosk import marks
from kiosk.__main__ import creaseside
from kiosk.logbook import views

ROOT = Path(__file__).parents[2]
README, DEVELOPERS = (ROOT / name for name in ("README.md", "DEVELOPERS.md"))
EXAMPLE = ROOT / "config" / "settings.toml"
HEAD = """\
# Every setting of creaseside, with its default. The kiosk reads settings.toml in its home, or the file given with
# --config; a setting that is left out has its default, and a wrong or unknown one is refused, all of them at once.
"""


def example() -> str:
    """The example settings file; a setting without a default stands behind a #."""
    lines = [HEAD]
    for part in dataclasses.fields(Settings):
        lines.append(f"[{part.name}]")
        for f in dataclasses.fields(part.default):
            default = getattr(part.default, f.name)
            given = f"# {f.name} =" if default is None else f"{f.name} = {_toml(default)}"
            lines.append(f"{given:<24}  # {f.metadata['what']}{_may_be(f.metadata)}")
        lines.append("")
    return "\n".join(lines)


def _toml(value: Any) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value).lower()


def _may_be(of: Any) -> str:
    words = [c for c in of["choices"] if c]
    if words:
        return f"; one of {', '.join(words)}" if len(words) < 5 else "; the README has their names"
    return "" if of["low"] is None else f"; {of['low']:g} to {of['high']:g}"


def test_the_example_settings_are_every_setting_with_its_default():
    text = EXAMPLE.read_text("utf-8")
    assert text == example(), "write it anew: PYTHONPATH=src:. .venv/bin/python -m tests.kiosk.test_docs"
    assert from_mapping(tomllib.loads(text)) == Settings()


def test_a_setting_without_a_default_is_known_when_its_mark_is_taken_away():
    given, found = re.subn(r"^# (\w+ =) ", r"\1 165 ", EXAMPLE.read_text("utf-8"), count=1, flags=re.M)
    assert found and from_mapping(tomllib.loads(given)) != Settings()


# What people are told to type

def spans(file: Path) -> Iterator[str]:
    """Lines of code blocks, and what stands between single back-ticks elsewhere."""
    for i, part in enumerate(re.split(r"^```.*\n", file.read_text("utf-8"), flags=re.M)):
        yield from part.splitlines() if i % 2 else re.findall(r"`([^`\n]+)`", part)


def commands(file: Path) -> list[str]:
    return [s for s in spans(file) if re.match(r"(\.venv/bin/)?creaseside( |$)", s)]


def unknown(line: str) -> str | None:
    """The first command or option of a line that there is not; None where all of it is there. … stands for any command."""
    words = globals_away(shlex.split(line.split("#")[0]))[1:]
    command: click.Command = creaseside
    ctx = click.Context(creaseside, info_name="creaseside")
    while isinstance(command, click.Group) and words and words[0] != "…":
        found = command.get_command(ctx, words[0])
        if found is None:
            return words[0]
        command, words = found, words[1:]
    known = {name for p in command.params for name in p.opts} | {"--help"}
    return next((w for w in words if w.startswith("--") and w.split("=")[0] not in known), None)


def globals_away(words: list[str]) -> list[str]:
    """Without the options that every command takes (none of them with a value apart from it in the documents)."""
    every = {name for p in creaseside.params for name in p.opts}
    return [w for w in words if w.split("=")[0] not in every]


@pytest.mark.parametrize("file", [README, DEVELOPERS], ids=lambda f: f.name)
def test_every_command_that_is_named_is_there(file):
    named = commands(file)
    assert named
    assert {line: what for line in named if (what := unknown(line))} == {}


@pytest.mark.parametrize("line, what", [("creaseside kiosc", "kiosc"), ("creaseside players ad Isha", "ad"),
                                        ("creaseside kiosk --sauce demo", "--sauce"),
                                        ("creaseside players add Isha --arm right --json", None)])
def test_a_command_that_is_not_there_is_found(line, what):
    assert unknown(line) == what


def test_every_command_has_its_place_in_the_readme():
    there = set(creaseside.list_commands(click.Context(creaseside)))
    assert there == {line.split()[1] for line in commands(README) if " " in line} & there


# Tables

def table(file: Path, heading: str) -> list[list[str]]:
    """The cells of the first table below a heading, without its head."""
    below = file.read_text("utf-8").split(f"## {heading}\n", 1)[1].split("\n## ", 1)[0]
    rows = [[c.strip() for c in line.strip("|").split("|")] for line in below.splitlines() if line.startswith("|")]
    return rows[2:]


def test_the_marks_are_those_of_the_pitch_with_their_metres():
    named = {row[0].strip("`"): tuple(float(m) for m in row[1].replace("\u2212", "-").split(","))
             for row in table(README, "The marks")}
    assert named == {name: pytest.approx(place) for name, place in MARKS.items()}


def test_the_marks_file_that_is_shown_is_one(tmp_path):
    """And its marks are a picture of a pitch."""
    shown, = [b for b in blocks("toml") if "[marks]" in b]
    (tmp_path / "marks.toml").write_text(shown, "utf-8")
    solved = marks.read(tmp_path / "marks.toml").solved()
    assert max(solved.residual_px.values()) < 1.0


def test_the_settings_that_are_shown_are_known():
    shown = [b for b in blocks("toml") if "[marks]" not in b]
    assert shown
    for block in shown:
        assert from_mapping(tomllib.loads(block)) != Settings()


def blocks(kind: str) -> list[str]:
    return re.findall(rf"^```{kind}\n(.*?)^```", README.read_text("utf-8"), flags=re.M | re.S)


def test_the_measures_are_those_of_a_ball():
    rows = table(README, "What is measured, and how sure it is")
    named = [name for row in rows for name in re.findall(r"`(\w+)`", row[0])]
    assert sorted(named) == sorted([q.name for q in QUANTITIES] + ["front_leg_action"])


def test_the_views_of_the_log_are_those_that_it_has():
    named = re.findall(r"^\| `(\w+)` \| (?:a|something)", README.read_text("utf-8"), flags=re.M)
    assert sorted(named) == sorted(views.VIEWS)


# Paths

def test_every_path_of_the_map_is_there():
    text = DEVELOPERS.read_text("utf-8").split("## The map\n", 1)[1].split("\n## ", 1)[0]
    rooms = re.findall(r"^\| `([\w./-]+)`", text, flags=re.M)
    assert len(rooms) > 50
    assert [room for room in rooms if not (ROOT / room).exists()] == []


def test_every_link_into_the_copy_leads_somewhere():
    linked = [to for to in re.findall(r"\]\(([^)#]+)\)", README.read_text("utf-8")) if "://" not in to]
    assert linked and [to for to in linked if not (ROOT / to).exists()] == []


def test_the_pictures_are_few_and_light():
    pictures = list((ROOT / "assets" / "pictures").iterdir())
    assert 1 <= len(pictures) <= 4 and sum(p.stat().st_size for p in pictures) < 600_000


if __name__ == "__main__":
    EXAMPLE.write_text(example(), "utf-8")
