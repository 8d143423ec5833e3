"""Read the texts of a language, and write amounts and days as it does.

A language is one file here, `en.toml` for English. Its tables hold texts by dotted name, with places in
braces: `mail.received.subject = "We have your request {id}"`. All files have the same names and places, and a
test compares them.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from functools import cache
from importlib.resources import files
from typing import Any

from babel import Locale
from babel.dates import format_date
from babel.numbers import format_currency

from models.domain.money import round_money

DEFAULT_LANGUAGE = "en"
# Babel sets the code of a currency, as CHF, right beside the number, where CLDR wants a space.
_CODE_BESIDE_NUMBER = re.compile(r"(?<=[A-Z])(?=\d)")


@cache
def languages() -> tuple[str, ...]:
    """Return the languages that there are, English first."""
    found = sorted(one.name.removesuffix(".toml") for one in _folder() if one.name.endswith(".toml"))
    return tuple(sorted(found, key=lambda name: name != DEFAULT_LANGUAGE))


@cache
def texts(language: str) -> Mapping[str, str]:
    """Return all texts of this language by dotted name. Raises KeyError for a language that is not there."""
    if language not in languages():
        raise KeyError(language)
    source = files("service.languages").joinpath(f"{language}.toml").read_text(encoding="utf-8")
    return dict(_flat("", tomllib.loads(source)))


def text(language: str, name: str, /, **places: Any) -> str:
    """Return one text with its places filled in."""
    return texts(language)[name].format(**places)


def money(amount: Decimal, currency: str, language: str) -> str:
    """Write an amount, rounded to the currency's minor unit before, as the language does."""
    written = format_currency(round_money(amount, currency), currency, locale=language)
    return _CODE_BESIDE_NUMBER.sub("\xa0", written)


def whole_money(amount: Decimal, currency: str, language: str) -> str:
    """Write an amount without its cents, as an estimate is told."""
    pattern = Locale.parse(language).currency_formats["standard"].pattern.replace(".00", "")
    return format_currency(amount, currency, pattern, locale=language, currency_digits=False)


def day(moment: date, language: str) -> str:
    """Write a day as the language does, in full."""
    return format_date(moment, format="long", locale=language)


def best(wanted: str | None, accepted: Sequence[str] = ()) -> str:
    """Return the first language that is there of the wanted one and those that a browser accepts."""
    for name in (wanted or "", *accepted):
        short = name.partition("-")[0].lower()
        if short in languages():
            return short
    return DEFAULT_LANGUAGE


def _folder() -> Sequence[Any]:
    return list(files("service.languages").iterdir())


def _flat(before: str, table: Mapping[str, Any]) -> Sequence[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    for name, value in table.items():
        path = f"{before}{name}"
        found += _flat(f"{path}.", value) if isinstance(value, Mapping) else [(path, value)]
    return found
