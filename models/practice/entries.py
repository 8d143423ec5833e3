"""Readers of the rules and spreads in a file of common practice; they collect all faults of the file."""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, ClassVar

from models.domain.names import nearest
from models.domain.parsing import Value, parse_json
from models.domain.vocabulary import CHANNEL_NAMES, GROUPS, KIND_NAMES
from models.errors import Fault, InputError
from models.practice.statements import NAMEABLE, OF_A_MARKET, SALE, SPREADS, Rule, SpreadStatement

_TEXTS = ("name", "says", "source")
_RULE_KEYS = (*_TEXTS, "low", "high", "as_if_sales", "of", "against", "kind", "channel")
_SPREAD_KEYS = (*_TEXTS, "of", "factor")
_LONGEST = 400
_NAME = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*", re.ASCII)
# Lowest and highest price ratio that a rule may state; a ratio typed as a percentage lies outside.
_SHARES = (0.05, 20.0)
_AS_SHARE = "say it as a share of the price: half is 0.5"
_MOST_SALES = 1000.0
_FACTORS = (1.01, 10.0)


def unknown_key(where: str, table: str, key: str, value: object, known: Sequence[str]) -> Fault:
    """Return the fault for a key that a table of this kind does not have."""
    close = nearest(key, known, 1)
    hint = f"did you mean {close[0]}?" if close else "correct it or leave it out"
    problem = f"is under a key that a {table} does not have"
    return Fault(f"{where}, {key}", value, problem, ", ".join(known), hint, close)


class TableReader:
    """A reader of one table in a file of common practice; it adds all faults of the table to `faults`."""

    kind: ClassVar[str]

    def __init__(self, number: int, given: dict[str, Any], faults: list[Fault]) -> None:
        self.number, self.given, self.faults = number, given, faults
        name = given.get("name")
        self.name = name if isinstance(name, str) and _NAME.fullmatch(name) else ""
        self.where = f"{self.kind} {number} ({name})" if self.name else f"{self.kind} {number}"

    def _check_keys(self, known: Sequence[str]) -> None:
        for key in self.given:
            if key not in known:
                self.faults.append(unknown_key(self.where, self.kind, key, self.given[key], known))

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

    def _number(self, key: str, low: float, high: float, step: str = "correct it") -> float:
        given = self.given.get(key)
        if isinstance(given, bool) or not isinstance(given, int | float):
            problem = "is not a number" if key in self.given else "is required"
        elif (
            low <= given <= high and given > 0
        ):  # This form also refuses NaN, and works on integers too large for a float.
            return float(given)
        else:
            problem = "is out of range"
        allowed = f"a number from {low:g} to {high:g}" if low else f"a number above 0, at most {high:g}"
        self._wrong(key, given, problem, allowed, step)
        return math.nan  # No comparison with NaN is true, so no second fault follows from this one.

    def _term(self, key: str, allowed: Sequence[str]) -> str | None:
        given = self.given.get(key)
        if key in self.given and given not in allowed:
            self._wrong(key, given, "is not one of its words", ", ".join(allowed))
            return None
        return given


class SpreadEntry(TableReader):
    """A reader of one [[spread]] table."""

    kind = "spread"

    def spread(self) -> SpreadStatement:
        """Read the spread. If this adds a fault, do not use the result."""
        self._check_keys(_SPREAD_KEYS)
        name, says, source = map(self._text, _TEXTS)
        if "of" not in self.given:
            self._wrong("of", None, "is required", ", ".join(SPREADS), "say what differs so")
        of = self._term("of", SPREADS) or ""
        factor = self._number("factor", *_FACTORS, "say it as a factor: half as much again is 1.5")
        return SpreadStatement(name, says, of, factor, source)


class RuleEntry(TableReader):
    """A reader of one [[rule]] table."""

    kind = "rule"

    def rule(self) -> Rule:
        """Read the rule. If this adds a fault, do not use the result."""
        self._check_keys(_RULE_KEYS)
        name, says, source = map(self._text, _TEXTS)
        low, high = self._number("low", *_SHARES, _AS_SHARE), self._number("high", *_SHARES, _AS_SHARE)
        if low >= high:
            self._wrong("low", low, "is not below high", f"less than {high:g}", "let low be the lower one")
        sales = self._number("as_if_sales", 0, _MOST_SALES)
        kind = self._term("kind", KIND_NAMES) or SALE
        of, against = self._sides(kind)
        return Rule(name, says, of, against, low, high, sales, source, kind, self._channel(kind))

    def _channel(self, kind: str) -> str | None:
        if kind == SALE and "channel" in self.given:
            step = "name it in of and against, or leave it out"
            self._wrong("channel", self.given["channel"], "is for kind asking or offer only", "", step)
            return None
        return self._term("channel", CHANNEL_NAMES)

    # ── the two instruments of a rule ────────────────────────────────────────

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

    def _value(self, path: str, key: str, given: Any) -> Value:
        field = NAMEABLE.get(key)
        if field is None:
            self._unknown_field(path, key, given)
            return None
        try:
            found = parse_json(field, given)
        except InputError as error:
            self.faults += [replace(fault, field=f"{self.where}, {path}") for fault in error.faults]
            return None
        if found is None:
            self._wrong(path, given, "says nothing", field.meaning, "name a value or leave the field out")
        return found

    def _unknown_field(self, path: str, key: str, given: Any) -> None:
        if key in OF_A_MARKET:
            step = "leave it out: the evidence says what it is worth"
            self._wrong(path, given, "belongs to one market, not to common practice", "", step)
            return
        close = nearest(key, NAMEABLE, 1)
        if key in GROUPS:
            problem, step = "is a group of fields", f"write the flat name, such as {close[0]}"
        else:
            problem = "is of no field that a rule can name"
            step = f"did you mean {close[0]}?" if close else "correct it or leave it out"
        self._wrong(path, given, problem, ", ".join(NAMEABLE), step)

    def _check_number(self, side: str, found: Mapping[str, Value]) -> None:
        number, total = found.get("edition_number"), found.get("edition_total")
        if not isinstance(number, int):
            return
        path = f"{side}.edition_number"
        if "edition_total" not in found:
            step = "name edition_total on the same side"
            self._wrong(path, number, "means nothing without the size of its edition", "", step)
        elif isinstance(total, int) and number > total:
            self._wrong(path, number, "is above the size of its edition", f"1 to {total}")
