"""The house keeps its rules: who may import what, what rooms are called, how long they are, what stands at the door.

That only the clock reads time is kept in tests/kiosk/test_clock.py.
"""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

HOUSE = Path(__file__).resolve().parents[2]
ENGINE = sorted((HOUSE / "src").rglob("*.py"))
SHELL = sorted((HOUSE / "kiosk").rglob("*.py"))
TESTS = sorted((HOUSE / "tests").rglob("*.py"))
TOP = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "kiosk",
    "src",
    "assets",
    "tests",
    "config",
    "LICENSE",
    "NOTICE",
    "uv.lock",
}
ENGINE_IMPORTS = {"numpy", "scipy", "cv2", "creaseside"}
NO_ROOMS = {"utils", "util", "helpers", "helper", "core", "manager", "managers", "common", "misc"}
ASSETS_BYTES = 12_000_000
FILE_LINES, FUNCTION_LINES = 500, 60


def named(path: Path) -> str:
    return str(path.relative_to(HOUSE))


def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"))


def imports(module: ast.Module) -> set[str]:
    """The packages that a module imports, wherever in it."""
    found = set()
    for node in ast.walk(module):
        if isinstance(node, ast.Import):
            found |= {a.name.split(".")[0] for a in node.names}
        elif isinstance(node, ast.ImportFrom) and not node.level:
            found.add(node.module.split(".")[0])
    return found


def test_there_is_a_house():
    assert len(ENGINE) > 15 and len(SHELL) > 15 and len(TESTS) > 15


@pytest.mark.parametrize("path", ENGINE, ids=named)
def test_the_engine_imports_numbers_and_itself(path):
    assert {m for m in imports(tree(path)) if m not in ENGINE_IMPORTS and m not in sys.stdlib_module_names} == set()


REACHES_OUT = {
    "time",
    "datetime",
    "threading",
    "multiprocessing",
    "subprocess",
    "socket",
    "sqlite3",
    "os",
    "io",
    "pathlib",
    "random",
    "asyncio",
    "secrets",
    "urllib",
    "http",
    "tempfile",
    "shutil",
    "logging",
}


@pytest.mark.parametrize("path", ENGINE, ids=named)
def test_the_engine_touches_nothing(path):
    """No clock, thread, disk or chance; dates as plain values may be handed to it."""
    touched = imports(tree(path)) & REACHES_OUT
    assert touched <= {"datetime"}
    calls = {n.func.id for n in ast.walk(tree(path)) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)}
    assert calls & {"open", "print", "input", "exec", "eval"} == set()


CV2_GEOMETRY = {"Rodrigues", "solvePnPGeneric", "SOLVEPNP_SQPNP", "solvePnP", "projectPoints", "error"}


def test_the_engine_uses_only_the_geometry_of_cv2():
    used = {
        n.attr
        for p in ENGINE
        for n in ast.walk(tree(p))
        if isinstance(n, ast.Attribute) and isinstance(n.value, ast.Name) and n.value.id == "cv2"
    }
    assert used - CV2_GEOMETRY == set()


@pytest.mark.parametrize("path", ENGINE + SHELL, ids=named)
def test_every_room_has_a_name_and_says_what_it_is_for(path):
    assert path.stem not in NO_ROOMS and not set(path.relative_to(HOUSE).parts) & NO_ROOMS
    words = ast.get_docstring(tree(path))
    assert words and len(words) > 15


@pytest.mark.parametrize("path", TESTS, ids=named)
def test_every_test_file_says_what_it_is_about(path):
    assert path.stem not in NO_ROOMS
    assert path.read_text("utf-8") == "" or ast.get_docstring(tree(path))


@pytest.mark.parametrize("path", ENGINE + SHELL, ids=named)
def test_rooms_and_functions_are_short(path):
    assert len(path.read_text("utf-8").splitlines()) <= FILE_LINES
    long = {
        n.name: n.end_lineno - n.lineno + 1
        for n in ast.walk(tree(path))
        if isinstance(n, (ast.FunctionDef, ast.AsyncFunctionDef)) and n.end_lineno - n.lineno + 1 > FUNCTION_LINES
    }
    assert long == {}


@pytest.mark.parametrize("path", SHELL, ids=named)
def test_heavy_packages_are_not_imported_by_commands_before_they_run(path):
    """`--help` answers at once because a command's own file imports nothing heavy at the top."""
    if "doors" not in path.parts and path.name != "__main__.py":
        return
    top = ast.Module([n for n in tree(path).body if isinstance(n, (ast.Import, ast.ImportFrom))], [])
    assert imports(top) & {"cv2", "mediapipe", "pygame", "scipy", "sounddevice"} == set()


def tracked() -> list[str]:
    done = subprocess.run(["git", "ls-files"], cwd=HOUSE, capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip("no git here")
    return done.stdout.splitlines()


def test_the_top_level_holds_only_the_agreed_names():
    assert {f.split("/")[0] for f in tracked()} - TOP - {
        f.split("/")[0] for f in tracked() if f.startswith(".")
    } == set()


def test_the_assets_are_small():
    sizes = {f: (HOUSE / f).stat().st_size for f in tracked() if f.startswith("assets/") and (HOUSE / f).exists()}
    assert sizes and sum(sizes.values()) < ASSETS_BYTES


def test_nothing_made_is_kept_in_the_tree():
    made = (".pyc", ".part", ".db", ".db-wal", ".orig", ".rej", ".log")
    assert [f for f in tracked() if f.endswith(made) or "__pycache__" in f or f.startswith(".venv")] == []
