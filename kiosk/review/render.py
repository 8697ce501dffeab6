"""Render: a page's view into HTML, with every word escaped; also as one file that needs nothing else."""
from __future__ import annotations

import base64
import hashlib
from functools import lru_cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from creaseside.focus import MEASURES
from kiosk import VERSION
from kiosk.drawing.letters import FACE
from kiosk.review import words
from kiosk.review.asking import local

HERE = Path(__file__).parent
STATIC = HERE / "static"


def page(template: str, **view: Any) -> str:
    """A page as it is served."""
    return _templates().get_template(template).render(alone=False, style=None, policy=None, **view)


def alone(template: str, **view: Any) -> str:
    """The same as one file, without links: the style is in it, and its own policy lets nothing else in."""
    style = (STATIC / "style.css").read_text("utf-8").replace("/face.ttf", _face())
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; font-src data:; base-uri 'none'; form-action 'none'"
    return _templates().get_template(template).render(alone=True, style=Markup(style), policy=policy, **view)


@lru_cache
def _templates() -> Environment:
    made = Environment(loader=FileSystemLoader(HERE / "templates"), autoescape=True, undefined=StrictUndefined,
                       trim_blocks=True, lstrip_blocks=True)
    made.globals.update(version=VERSION, words=words, local=local,
                        measure_choices=[(m, words.name(m)) for m in MEASURES])
    return made


def _face() -> str:
    return "data:font/ttf;base64," + base64.b64encode(FACE.read_bytes()).decode("ascii")
