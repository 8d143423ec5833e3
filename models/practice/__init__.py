"""Common practice: rules of thumb of the trade on prices, which a fit uses as prior knowledge.

A rule compares the prices of two instruments that differ in the named fields, or a price asked or offered
with a closed one. A spread says how far typical prices of makers, models, editions or years differ. A fit
takes each rule as a prior of the strength that the rule states. An unknown key in the file is a fault: a
misspelt key would otherwise silently weaken a rule.
"""

import re
import tomllib
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

from models.errors import Fault, PracticeError
from models.practice.entries import RuleEntry, SpreadEntry, TableReader, unknown_key
from models.practice.statements import NAMEABLE, NO_PRACTICE, SALE, Practice, Rule, SpreadStatement

SHIPPED = Path(__file__).with_name("practice.toml")
_TABLES = ("rule", "spread")


@cache
def shipped() -> Practice:
    """Return the rules and spreads that come with the package, in the file `practice.toml`."""
    return read_practice(SHIPPED.read_text(encoding="utf-8"))


def read_practice(text: str) -> Practice:
    """Read the rules and spreads of a TOML text, if any. Raises PracticeError with every fault."""
    data, faults = _parsed(text), list[Fault]()
    faults += [
        unknown_key("practice", "file of practice", key, data[key], _TABLES)
        for key in data
        if key not in _TABLES
    ]
    rules = [RuleEntry(*entry, faults) for entry in _tables(data, "rule", faults)]
    spreads = [SpreadEntry(*entry, faults) for entry in _tables(data, "spread", faults)]
    practice = Practice(tuple(e.rule() for e in rules), text, tuple(e.spread() for e in spreads))
    faults += _same_names([*rules, *spreads]) + _same_of(spreads)
    if faults:
        raise PracticeError(faults)
    return practice


def _tables(data: dict[str, Any], kind: str, faults: list[Fault]) -> list[tuple[int, dict[str, Any]]]:
    """Return the TOML tables of this kind with their numbers; each entry that is no table adds a fault."""
    given, written = data.get(kind, []), f"[[{kind}]]"
    if not isinstance(given, list):
        faults.append(Fault(kind, given, "is not a list of tables", written, f"write it as {written}"))
        return []
    for number, entry in enumerate(given, 1):
        if not isinstance(entry, dict):
            where = f"{kind} {number}"
            faults.append(Fault(where, entry, "is not a table", written, f"write it as {written}"))
    return [(number, entry) for number, entry in enumerate(given, 1) if isinstance(entry, dict)]


def _parsed(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except (ValueError, RecursionError) as error:
        at = re.search(r"at line (\d+)", str(error))
        lines = text.splitlines() or [""]
        line = lines[min(int(at[1]), len(lines)) - 1] if at else lines[-1]
        raise PracticeError([Fault("practice", line, f"is not TOML: {error}", "", "mend it")]) from error


def _same_names(entries: Sequence[TableReader]) -> list[Fault]:
    first: dict[str, TableReader] = {}
    found = []
    for entry in entries:
        if entry.name and first.setdefault(entry.name, entry) is not entry:
            other = first[entry.name]
            problem = f"is the name of {other.kind} {other.number} too"
            found.append(Fault(f"{entry.where}, name", entry.name, problem, "", "give it a name of its own"))
    return found


def _same_of(entries: Sequence[SpreadEntry]) -> list[Fault]:
    said: set[str] = set()
    found = []
    for entry in entries:
        of = entry.given.get("of")
        if isinstance(of, str) and of in said:
            problem = "has a spread already"
            found.append(Fault(f"{entry.where}, of", of, problem, "", "state it once"))
        said |= {of} if isinstance(of, str) else set()
    return found


__all__ = [
    "NAMEABLE",
    "NO_PRACTICE",
    "SALE",
    "SHIPPED",
    "Practice",
    "Rule",
    "SpreadStatement",
    "read_practice",
    "shipped",
]
