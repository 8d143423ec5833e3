"""Common practice: what the trade says that a thing is worth, as a price model starts from it.

A rule says what one instrument brings against another that differs in the named fields, or what a price asked
or offered is against a closed one. A fit takes each rule as a prior, as strong as the rule says. Unlike the
catalogue, an unknown key is a fault here: a typing error would otherwise weaken a rule in silence.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

from models.errors import Fault, InputError, PracticeError
from models.names import nearest
from models.parsing import Value, parse_json
from models.vocabulary import CHANNEL_NAMES, CHANNELS, FIELDS, GROUPS, KIND_NAMES, Family, Field, Kind

SALE = "sale"
SHIPPED = Path(__file__).with_name("practice.toml")

# Numbers that stand for what a catalogue says, and the market: no fields of an instrument.
CONTEXT = (
    Field(
        "finish_share",
        Kind.NUMBER,
        Family.RARITY,
        "share of the finish",
        "share of the production that has the finish",
        (),
        0,
        1,
    ),
    Field(
        "edition_total",
        Kind.INTEGER,
        Family.RARITY,
        "size of the edition",
        "production total of the edition",
        (),
        1,
        10_000_000,
    ),
    Field("channel", Kind.TERM, Family.MARKET, "channel", "where it is sold", CHANNELS),
)
# These belong to one market: what they are worth is its evidence's to say.
OF_A_MARKET = ("maker", "model", "edition", "year", "finish", "serial", "day", "date")
NAMEABLE: Mapping[str, Field] = {f.flat: f for f in (*FIELDS, *CONTEXT) if f.flat not in OF_A_MARKET}

_TEXTS, _NUMBERS, _SIDES = ("name", "says", "source"), ("low", "high", "as_if_sales"), ("of", "against")
_KEYS = (*_TEXTS, *_NUMBERS, *_SIDES, "kind", "channel")
_LONGEST = 400
_NAME = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*", re.ASCII)
# Wide enough for anything that one difference does to a price; a share typed as a percentage lies outside.
_SHARES = (0.05, 20.0)
_MOST_SALES = 1000.0


@dataclass(frozen=True)
class Rule:
    """One statement of common practice: what an instrument brings against one that differs in some fields.

    `of`, `against`: flat field → value of the first and the second instrument; both name the same fields.
    `low`, `high`: the first's price as a share of the second's, between which the middle of most models lies.
    `as_if_sales`: the rule is as strong as that many sales. `kind`: "sale"; or "asking" or "offer" for what
    such a price is against a closed one, with `of` and `against` empty: in this `channel`, or in all (None).
    """

    name: str
    says: str
    of: Mapping[str, Value]
    against: Mapping[str, Value]
    low: float
    high: float
    as_if_sales: float
    source: str
    kind: str
    channel: str | None


@dataclass(frozen=True)
class Practice:
    """All rules, with the text that they were read from; "" for none."""

    rules: tuple[Rule, ...]
    text: str


NO_PRACTICE = Practice((), "")


@cache
def shipped() -> Practice:
    """The practice that comes with the package, in its file `practice.toml`."""
    return read_practice(SHIPPED.read_text(encoding="utf-8"))


def read_practice(text: str) -> Practice:
    """Read the TOML text; a text without a rule is no practice. Raises PracticeError with every fault."""
    data, faults = _parsed(text), []
    faults += [_unknown("practice", key, data[key], ("rule",)) for key in data if key != "rule"]
    given = data.get("rule", [])
    if not isinstance(given, list):
        faults.append(Fault("rule", given, "is not a list of tables", "[[rule]]", "write it as [[rule]]"))
        given = []
    entries = []
    for number, entry in enumerate(given, 1):
        if isinstance(entry, dict):
            entries.append(_Entry(number, entry, faults))
        else:
            faults.append(
                Fault(f"rule {number}", entry, "is not a table", "[[rule]]", "write it as [[rule]]")
            )
    rules = tuple(entry.rule() for entry in entries)
    faults += _twice(entries)
    if faults:
        raise PracticeError(faults)
    return Practice(rules, text)


def _parsed(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except (ValueError, RecursionError) as error:
        at = re.search(r"at line (\d+)", str(error))
        lines = text.splitlines() or [""]
        line = lines[min(int(at[1]), len(lines)) - 1] if at else lines[-1]
        raise PracticeError([Fault("practice", line, f"is not TOML: {error}", "", "mend it")]) from error


def _unknown(where: str, key: str, value: object, known: Sequence[str]) -> Fault:
    close = nearest(key, known, 1)
    hint = f"did you mean {close[0]}?" if close else "correct it or leave it out"
    return Fault(
        f"{where}, {key}", value, "is under a key that a rule does not have", ", ".join(known), hint, close
    )


def _twice(entries: Sequence[_Entry]) -> list[Fault]:
    first: dict[str, _Entry] = {}
    found = []
    for entry in entries:
        if entry.name and first.setdefault(entry.name, entry) is not entry:
            problem = f"is the name of rule {first[entry.name].number} too"
            found.append(Fault(f"{entry.where}, name", entry.name, problem, "", "give it a name of its own"))
    return found


class _Entry:
    """One [[rule]] while it is read; what is wrong with it joins `faults`."""

    def __init__(self, number: int, given: dict[str, Any], faults: list[Fault]) -> None:
        self.number, self.given, self.faults = number, given, faults
        name = given.get("name")
        self.name = name if isinstance(name, str) and _NAME.fullmatch(name) else ""
        self.where = f"rule {number} ({name})" if self.name else f"rule {number}"

    def rule(self) -> Rule:
        """The rule; not to be used where a fault was found."""
        for key in self.given:
            if key not in _KEYS:
                self.faults.append(_unknown(self.where, key, self.given[key], _KEYS))
        name, says, source = map(self._text, _TEXTS)
        low, high = self._number("low", *_SHARES), self._number("high", *_SHARES)
        if low >= high:
            self._wrong("low", low, "is not below high", f"less than {high:g}", "let low be the lower one")
        sales = self._number("as_if_sales", 0, _MOST_SALES)
        kind = self._term("kind", KIND_NAMES) or SALE
        of, against = self._sides(kind)
        return Rule(name, says, of, against, low, high, sales, source, kind, self._channel(kind))

    def _wrong(
        self, key: str, value: object, problem: str, allowed: str = "", step: str = "correct it"
    ) -> None:
        self.faults.append(Fault(f"{self.where}, {key}", value, problem, allowed, step))

    def _text(self, key: str) -> str:
        given, allowed = self.given.get(key), f"a line of at most {_LONGEST} characters"
        text = " ".join(given.split()) if isinstance(given, str) else ""
        if key not in self.given:
            self._wrong(key, None, "is required", allowed, "say it")
        elif not text or not text.isprintable() or len(text) > _LONGEST:
            self._wrong(key, given, "is no line of printable text", allowed)
        elif key == "name" and not self.name:
            self._wrong(key, given, "is not in lower snake case", "a-z, 0-9 and single _ between them")
        return text

    def _number(self, key: str, low: float, high: float) -> float:
        given = self.given.get(key)
        if isinstance(given, bool) or not isinstance(given, int | float):
            problem = "is not a number" if key in self.given else "is required"
        elif (
            low <= given <= high and given > 0
        ):  # also false for NaN, and safe for integers past float's range
            return float(given)
        else:
            problem = "is out of range"
        allowed = f"a number from {low:g} to {high:g}" if low else f"a number above 0, at most {high:g}"
        step = "say it as a share of the price: half is 0.5" if low else "correct it"
        self._wrong(key, given, problem, allowed, step)
        return math.nan  # no comparison with it holds

    def _term(self, key: str, allowed: Sequence[str]) -> str | None:
        given = self.given.get(key)
        if key in self.given and given not in allowed:
            self._wrong(key, given, "is not one of its words", ", ".join(allowed))
            return None
        return given

    def _channel(self, kind: str) -> str | None:
        if kind == SALE and "channel" in self.given:
            step = "name it in of and against, or leave it out"
            self._wrong("channel", self.given["channel"], "is for kind asking or offer only", "", step)
            return None
        return self._term("channel", CHANNEL_NAMES)

    # ── the two sides ────────────────────────────────────────────────────────

    def _sides(self, kind: str) -> tuple[dict[str, Value], dict[str, Value]]:
        before = len(self.faults)
        of, against = self._side("of"), self._side("against")
        if len(self.faults) > before:
            return of, against
        if kind != SALE:
            if of or against:
                problem = f"stands beside kind {kind}, which compares prices of one instrument"
                self._wrong("of, against", sorted({*of, *against}), problem, "none", "leave both out")
        elif not of and not against:
            self._wrong("of, against", None, "is required", ", ".join(NAMEABLE), "say what differs")
        elif of.keys() != against.keys():
            single = sorted(of.keys() ^ against.keys())
            self._wrong(
                "of, against", single, "is on one side only", "", "name the same fields on both sides"
            )
        elif of == against:
            self._wrong("against", against, "is the same as of", "", "say what differs")
        return of, against

    def _side(self, side: str) -> dict[str, Value]:
        given = self.given.get(side, {})
        if not isinstance(given, dict):
            self._wrong(side, given, "is not a table", "{ field = value, … }")
            return {}
        found = {key: self._value(f"{side}.{key}", key, value) for key, value in given.items()}
        self._check_number(side, found)
        return found

    def _value(self, place: str, key: str, given: Any) -> Value:
        field = NAMEABLE.get(key)
        if field is None:
            self._unknown_field(place, key, given)
            return None
        try:
            found = parse_json(field, given)
        except InputError as error:
            self.faults += [replace(fault, field=f"{self.where}, {place}") for fault in error.faults]
            return None
        if found is None:
            self._wrong(place, given, "says nothing", field.meaning, "name a value or leave the field out")
        return found

    def _unknown_field(self, place: str, key: str, given: Any) -> None:
        if key in OF_A_MARKET:
            step = "leave it out: the evidence says what it is worth"
            self._wrong(place, given, "belongs to one market, not to common practice", "", step)
            return
        if key in GROUPS:
            problem, step = (
                "is a group of fields",
                f"write the flat name, such as {nearest(key, NAMEABLE, 1)[0]}",
            )
        else:
            close = nearest(key, NAMEABLE, 1)
            problem = "is of no field that a rule can name"
            step = f"did you mean {close[0]}?" if close else "correct it or leave it out"
        self._wrong(place, given, problem, ", ".join(NAMEABLE), step)

    def _check_number(self, side: str, found: Mapping[str, Value]) -> None:
        number, total = found.get("edition_number"), found.get("edition_total")
        if not isinstance(number, int):
            return
        place = f"{side}.edition_number"
        if "edition_total" not in found:
            step = "name edition_total on the same side"
            self._wrong(place, number, "means nothing without the size of its edition", "", step)
        elif isinstance(total, int) and number > total:
            self._wrong(place, number, "is above the size of its edition", f"1 to {total}")
