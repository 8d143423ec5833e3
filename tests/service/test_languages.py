"""Languages: each file says all, every text is used, another file is another language; money and days."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from pathlib import Path
from string import Formatter

import pytest

from service.languages import reader

ROOT = Path(__file__).parents[2]
SERVICE = ROOT / "service"
# The name of a language is for those who read the file, until a page offers the choice.
UNUSED = {"language.name"}


def places(text: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


@pytest.mark.parametrize("language", reader.languages())
def test_each_language_has_the_same_texts_with_the_same_places(language: str) -> None:
    english, other = reader.texts("en"), reader.texts(language)
    assert set(other) == set(english)
    assert {name: places(text) for name, text in other.items()} == {
        name: places(text) for name, text in english.items()
    }
    for name, text in other.items():
        assert text == text.strip() and text.isprintable(), name
        assert all(re.fullmatch(r"[a-z_]+", place) for place in places(text)), name


def test_there_are_two_languages_and_they_differ() -> None:
    assert reader.languages() == ("en", "de")
    same = {name for name, text in reader.texts("en").items() if reader.texts("de")[name] == text}
    assert len(same) < len(reader.texts("en")) / 10, same


def named(source: str, sections: set[str]) -> Iterator[str]:
    """Yield a pattern of each name of a text in Python source; a place of an f-string matches any word."""
    nodes = list(ast.walk(ast.parse(source)))
    inside = {id(part) for node in nodes if isinstance(node, ast.JoinedStr) for part in node.values}
    for node in nodes:
        if id(node) in inside:
            continue
        if isinstance(node, ast.JoinedStr):
            parts = [part.value if isinstance(part, ast.Constant) else None for part in node.values]
            pattern = "".join(re.escape(str(part)) if part is not None else r"[\w-]+" for part in parts)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            pattern = re.escape(node.value) + (r"[\w.-]+" if node.value.endswith(".") else "")
        else:
            continue
        if re.match(rf"({'|'.join(sections)})\\\.[\w.\\+\[\]-]+$", pattern):
            yield pattern


def used() -> set[str]:
    """Patterns of all names of texts in the sources of the service."""
    sections = {name.partition(".")[0] for name in reader.texts("en")}
    found: set[str] = set()
    for path in SERVICE.rglob("*.py"):
        found |= set(named(path.read_text(encoding="utf-8"), sections))
    quoted = re.compile(rf"[\"'`]((?:{'|'.join(sections)})\.[\w.-]*)")
    for kind in ("*.html", "*.js"):
        for path in SERVICE.rglob(kind):
            for name in quoted.findall(path.read_text(encoding="utf-8")):
                found.add(re.escape(name) + (r"[\w.-]+" if name.endswith(".") else ""))
    return found


def test_every_text_is_used_and_every_used_name_is_there() -> None:
    texts, patterns = set(reader.texts("en")), used()
    assert len(patterns) > 5, "the sources were not found"
    unused = {name for name in texts - UNUSED if not any(re.fullmatch(one, name) for one in patterns)}
    assert unused == set()
    missing = {one for one in patterns if not any(re.fullmatch(one, name) for name in texts)}
    assert missing == set()


def test_the_search_sees_names_in_every_form() -> None:
    source = """
a = text(language, "mail.caution")
b = text(language, f"mail.{name}.subject")
c = text(language, "form." + field)
d = "mail.example.org is no text", "email.parser", f"{x}.mail.y"
"""
    assert set(named(source, {"mail", "form"})) == {
        r"mail\.caution",
        r"mail\.[\w-]+\.subject",
        r"form\.[\w.-]+",
    }


@pytest.fixture
def third(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[None]:
    """The files that there are, and one of a third language beside them."""
    for path in (SERVICE / "languages").glob("*.toml"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    french = (tmp_path / "en.toml").read_text(encoding="utf-8").replace("We have your request", "Reçu :")
    (tmp_path / "fr.toml").write_text(french, encoding="utf-8")
    for cached in (reader.languages, reader.texts):
        cached.cache_clear()
    monkeypatch.setattr(reader, "files", lambda package: tmp_path)
    yield
    for cached in (reader.languages, reader.texts):
        cached.cache_clear()


def test_another_file_is_another_language(third: None) -> None:
    assert reader.languages() == ("en", "de", "fr")
    assert reader.text("fr", "mail.received.subject", id="req_1") == "Reçu : req_1"
    assert reader.best("fr-CA") == "fr"
    assert (
        reader.money(Decimal("1234.5"), "EUR", "fr").replace("\u202f", " ").replace("\xa0", " ")
        == "1 234,50 €"
    )


def test_a_language_that_is_not_there_is_none() -> None:
    assert "fr" not in reader.languages()
    with pytest.raises(KeyError):
        reader.texts("fr")


@pytest.mark.parametrize(
    ("wanted", "accepted", "best"),
    [
        ("de", (), "de"),
        ("de-AT", (), "de"),
        ("DE", (), "de"),
        (None, (), "en"),
        ("fr", ("it", "de-CH", "en"), "de"),
        ("../../etc/passwd", (), "en"),
        ("", ("x",), "en"),
    ],
)
def test_the_best_language_is_the_first_that_is_there(
    wanted: str | None, accepted: tuple[str, ...], best: str
) -> None:
    assert reader.best(wanted, accepted) == best


# The halves show that the amount is rounded half up before it is written: Babel alone rounds half to even.
# The code of a currency without a sign stands apart from the number (CLDR: alphaNextToNumber).
@pytest.mark.parametrize(
    ("amount", "currency", "english", "german"),
    [
        ("1234.5", "JPY", "¥1,235", "1.235 ¥"),
        ("0.5", "JPY", "¥1", "1 ¥"),
        ("1234", "USD", "$1,234.00", "1.234,00 $"),
        ("1234.565", "USD", "$1,234.57", "1.234,57 $"),
        ("0.125", "USD", "$0.13", "0,13 $"),
        ("1234.5665", "KWD", "KWD 1,234.567", "1.234,567 KWD"),
        ("1234.5", "CHF", "CHF 1,234.50", "1.234,50 CHF"),
        ("-1234.5", "EUR", "-€1,234.50", "-1.234,50 €"),
    ],
)
def test_money_is_rounded_and_written_as_the_language_does(
    amount: str, currency: str, english: str, german: str
) -> None:
    found = [reader.money(Decimal(amount), currency, language) for language in ("en", "de")]
    assert [text.replace("\xa0", " ") for text in found] == [english, german]


def test_days_are_written_in_full() -> None:
    assert reader.day(date(2026, 3, 1), "en") == "March 1, 2026"
    assert reader.day(date(2026, 3, 1), "de") == "1. März 2026"


def test_a_place_can_be_filled_with_anything() -> None:
    assert reader.text("en", "mail.greeting", name="{0.__class__} {id}") == "Dear {0.__class__} {id},"
