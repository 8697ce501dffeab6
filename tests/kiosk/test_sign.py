"""The pages to print: complete in both languages, with this kiosk's own days and hours, and nothing of theirs unescaped."""
from __future__ import annotations

import re
import tomllib

import pytest

from kiosk.__main__ import main
from kiosk.place import Place
from kiosk.sign import LANGUAGES, WORDS, page


def place(folder, settings: str = "") -> Place:
    folder.mkdir(exist_ok=True)
    (folder / "settings.toml").write_text(settings)
    return Place(folder, quiet=True)


def test_both_languages_say_the_same_things():
    words = tomllib.loads(WORDS.read_text("utf-8"))
    assert set(words) == set(LANGUAGES)
    en, hi = words["en"], words["hi"]
    assert len(en["sign"]["points"]) == len(hi["sign"]["points"])
    for (q, a), (r, b) in zip(en["sheet"]["rows"], hi["sheet"]["rows"], strict=True):
        assert bool(a) is bool(b) and set(re.findall(r"{\w+}", a)) == set(re.findall(r"{\w+}", b)), q
    for a, b in zip(en["sign"]["points"], hi["sign"]["points"]):
        assert set(re.findall(r"{\w+}", a)) == set(re.findall(r"{\w+}", b)) and not re.search("[A-Za-z]", b.replace("{days}", "").replace("{seconds}", ""))


def test_the_sign_says_this_kiosks_own_days_and_seconds(tmp_path):
    text = page(place(tmp_path / "h", "[log]\nkeep_days = 7\n[camera]\nreel_s = 5.0\n"))
    assert "after 7 days" in text and "last 5 seconds" in text and "7 दिन" in text
    assert page(place(tmp_path / "h")).count("<section") == 2 and page(place(tmp_path / "h"), language="hi").count("<section") == 1


def test_the_sheet_names_the_board_the_hours_and_the_place_unharmed(tmp_path):
    hall = place(tmp_path / "a<b", '[screen]\nopens = "08:00"\ncloses = "22:00"\n')
    text = page(hall, sheet=True)
    assert "safeguarding policy" in text and "08:00–22:00" in text and "a&lt;b" in text and "a<b" not in text
    assert "open: always" in page(place(tmp_path / "h"), sheet=True) and text.count('class="blank"') > 20


@pytest.mark.parametrize("more", [[], ["--sheet"], ["--language", "en"]])
def test_the_door_writes_one_page_that_asks_for_nothing_from_outside(tmp_path, more, capsys):
    out = tmp_path / "sign.html"
    assert main(["--home", str(tmp_path / "h"), "sign", "-o", str(out), *more]) == 0
    text = out.read_text("utf-8")
    assert "{" not in re.sub(r"<style>.*?</style>", "", text, flags=re.S) and not re.search(r"(src|href)=|url\((?!data:)|<script", text)
    assert main(["--home", str(tmp_path / "h"), "sign", "-o", str(tmp_path / "none" / "x.html")]) == 1
    assert len(capsys.readouterr().err.splitlines()) == 1
