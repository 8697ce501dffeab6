"""Place: where this kiosk keeps its things, how it was asked to speak, and its settings.

Paths are names only until something is written: asking for help makes no folder and reads no file. What is in the files
is the business of the rooms that own them.
"""
from __future__ import annotations

import json
import os
import sys
import tomllib
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from creaseside.settings import Faults, Settings, from_mapping
from kiosk.faults import Fault

PRIVATE = 0o700   # names and pictures of players: for nobody else on this machine


@dataclass(frozen=True)
class Place:
    """`folder`: the home that was asked for. `config`: a settings file instead of the home's own."""

    folder: Path
    config: Path | None = None
    json: bool = False
    quiet: bool = False

    @classmethod
    def usual(cls) -> Path:
        """The home where none was asked for."""
        import platformdirs
        return Path(platformdirs.user_data_dir("creaseside", appauthor=False))

    @cached_property
    def home(self) -> Path:
        """The folder, made (for its owner alone) where it is not there; a folder that is there keeps its mode."""
        try:
            self.folder.parent.mkdir(parents=True, exist_ok=True)
            self.folder.mkdir(mode=PRIVATE, exist_ok=True)
        except OSError as e:
            raise Fault(f"the home {self.folder}", e.strerror or str(e), "give another with --home DIR") from e
        if not os.access(self.folder, os.W_OK | os.X_OK):
            raise Fault(f"the home {self.folder}", "a folder that may not be written", "give another with --home DIR")
        return self.folder

    @property
    def log(self) -> Path:
        return self.home / "creaseside.db"

    @cached_property
    def clips(self) -> Path:
        made = self.home / "clips"
        made.mkdir(mode=PRIVATE, exist_ok=True)
        return made

    @property
    def models(self) -> Path:
        """The machine's model cache: one for all homes, since the models are the same."""
        from kiosk import models
        return models.folder()

    @property
    def own_marks(self) -> Path:
        """The marks file of this home."""
        return self.home / "marks.toml"

    @property
    def marks(self) -> Path:
        """The marks file in use: the one that the settings name, else this home's own (which may not be there yet)."""
        return Path(self.settings.camera.marks).expanduser() if self.settings.camera.marks else self.own_marks

    @property
    def settings_file(self) -> Path:
        return self.config or self.folder / "settings.toml"

    @property
    def details(self) -> Path:
        """Where the full story of an unexpected fault is kept."""
        return self.home / "creaseside.log"

    @cached_property
    def settings(self) -> Settings:
        """The settings file's, or the defaults where there is no file and none was asked for."""
        asked = f"the settings in {self.settings_file}"
        try:
            return from_mapping(tomllib.loads(self.settings_file.read_text("utf-8")))
        except FileNotFoundError as e:
            if self.config is None:
                return Settings()
            raise Fault(asked, "no such file", "give the right one with --config FILE") from e
        except OSError as e:
            raise Fault(asked, e.strerror or str(e), "make the file readable") from e
        except Faults as e:
            raise Fault(asked, str(e), "put that right and start again") from e
        except ValueError as e:   # not TOML, or not UTF-8
            raise Fault(asked, f"a file that is not TOML: {e}", "put that right and start again") from e

    def say(self, text: str) -> None:
        """A line for people, on stderr, unless --quiet."""
        if not self.quiet:
            print(text, file=sys.stderr, flush=True)

    def out(self, obj: Any) -> None:
        """One line of JSON on stdout."""
        print(json.dumps(obj, ensure_ascii=False, allow_nan=False), flush=True)
