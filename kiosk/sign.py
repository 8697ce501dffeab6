"""Sign: what hangs on the net wall, and the sheet on data protection that a club fills in: pages to print, in English and
Hindi, with this kiosk's own settings in them. It says what the program does; what must be done is the board's to say."""
from __future__ import annotations

import html
import tomllib
from pathlib import Path
from typing import Any

from kiosk.place import Place

WORDS = Path(__file__).with_name("texts") / "sign.toml"
LANGUAGES = ("en", "hi")
BLANK = '<span class="blank"></span>'


def page(place: Place, sheet: bool = False, language: str = "") -> str:
    """One self-contained HTML page: the sign in both languages (or the one), a sheet of A4 each; or the sheet instead."""
    words = tomllib.loads(WORDS.read_text("utf-8"))
    fields = _fields(place)
    chosen = [language] if language else list(LANGUAGES)
    make = _sheet if sheet else _sign
    body = "\n".join(make(words[code]["sheet" if sheet else "sign"], code, fields) for code in chosen)
    title = words[chosen[0]]["sheet" if sheet else "sign"]["title"]
    from kiosk.cards import face
    return PAGE.replace("TITLE", html.escape(title)).replace("LANG", chosen[0]).replace("BODY", body).replace("FONT", face())


def _fields(place: Place) -> dict[str, Any]:
    settings = place.settings
    return {"days": settings.log.keep_days, "seconds": f"{settings.camera.reel_s:g}", "home": str(place.folder),
            "hours": f"{settings.screen.opens}–{settings.screen.closes}" if settings.screen.opens else ""}


def _sign(words: dict[str, Any], language: str, fields: dict[str, Any]) -> str:
    points = "".join(f"<li>{_filled(point, fields)}</li>" for point in words["points"])
    return (f'<section lang="{language}" class="sign">{CAMERA}<h1>{_filled(words["title"], fields)}</h1><ul>{points}</ul>'
            f'<footer><p>{_filled(words["ask"], fields)} {BLANK}</p><p>{_filled(words["board"], fields)}</p></footer></section>')


def _sheet(words: dict[str, Any], language: str, fields: dict[str, Any]) -> str:
    fields = fields | {"hours": fields["hours"] or words["always"]}
    rows = "".join(f"<tr><th>{_filled(row[0], fields)}</th><td>{_filled(row[1], fields) if row[1] else BLANK}</td></tr>"
                   for row in words["rows"])
    return (f'<section lang="{language}" class="sheet"><h1>{_filled(words["title"], fields)}</h1>'
            f'<p>{_filled(words["intro"], fields)}</p><table>{rows}</table><p>{_filled(words["board"], fields)}</p></section>')


def _filled(text: str, fields: dict[str, Any]) -> str:
    return html.escape(text.format(**fields))


# A lens in a ring: what this is about, for whoever reads neither language.
CAMERA = ('<svg viewBox="0 0 100 64" role="img" aria-label="camera"><rect x="4" y="12" width="92" height="48" rx="8" fill="none" '
          'stroke="#000" stroke-width="5"/><circle cx="50" cy="36" r="16" fill="none" stroke="#000" stroke-width="5"/>'
          '<circle cx="50" cy="36" r="5"/><rect x="34" y="4" width="32" height="8"/></svg>')
PAGE = """<!doctype html>
<html lang="LANG"><meta charset="utf-8"><title>TITLE</title>
<style>
@font-face { font-family: board; src: url(data:font/ttf;base64,FONT) }
@page { size: A4; margin: 14mm }
body { margin: 0; font-family: board, sans-serif; color: #000; background: #fff }
section { break-after: page; box-sizing: border-box; max-width: 182mm; margin: 0 auto }
section:last-child { break-after: auto }
h1 { line-height: 1.15; margin: 4mm 0 }
.sign { min-height: 240mm; display: flex; flex-direction: column }
.sign svg { width: 44mm; height: 28mm; align-self: center }
.sign h1 { font-size: 13mm; text-align: center }
.sign li { font-size: 6.6mm; line-height: 1.28; margin: 0 0 4mm }
.sign ul { padding-left: 9mm; margin: 4mm 0 }
.sign footer { margin-top: auto; font-size: 5.6mm; border-top: 1mm solid #000 }
.sheet { font-size: 3.3mm; line-height: 1.3 }
.sheet h1 { font-size: 7mm }
table { border-collapse: collapse; width: 100% }
th, td { border: .3mm solid #777; padding: 1.2mm 2mm; text-align: left; vertical-align: top; font-weight: normal }
th { width: 34%; font-weight: bold }
.blank { display: inline-block; min-width: 45mm; width: 100%; height: 1.3em; border-bottom: .3mm dotted #000 }
.sign .blank { width: 90mm }
</style>
BODY
</html>
"""
