"""Compare an output with the one that a document shows.

Figures may differ by a hundredth, as two processors need not fit to the last digit alike; all else must be
the same.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from typing import Any

FIGURE = re.compile(r"\d[\d,]*(?:\.\d+)?")
GAPS = re.compile(r" {2,}|-{3,}")  # the columns of a table are as wide as its figures
CLOSE, MONEY = 0.01, 5.0  # a hundredth; for small amounts a seven-hundredth of the example's value


def differences(kind: str, shown: str, said: str) -> list[str]:
    """List what differs between a block of this kind and the output."""
    if kind == "json":
        return list(between(json.loads(shown), json.loads(said)))
    one, other = ([GAPS.sub("  ", line).rstrip() for line in text.splitlines()] for text in (shown, said))
    if len(one) != len(other):
        return [f"{len(one)} lines are shown, {len(other)} are said:\n{said}"]
    return [f"{a!r} is shown, {b!r} is said" for a, b in zip(one, other, strict=True) if not same_words(a, b)]


def between(shown: Any, said: Any, path: str = "") -> Iterator[str]:
    """Yield the places where two JSON values differ by more than the last digits of a fit."""
    if isinstance(shown, dict) and isinstance(said, dict) and list(shown) == list(said):
        for name in shown:
            yield from between(shown[name], said[name], f"{path}/{name}")
    elif isinstance(shown, list) and isinstance(said, list) and len(shown) == len(said):
        for number, (one, other) in enumerate(zip(shown, said, strict=True)):
            yield from between(one, other, f"{path}/{number}")
    elif not alike(shown, said):
        yield f"{path}: {shown!r} is shown, {said!r} is said"


def alike(shown: Any, said: Any) -> bool:
    if type(shown) is not type(said):
        return False
    if shown == said:
        return True
    try:
        one, other = float(shown), float(said)
    except (TypeError, ValueError):
        return isinstance(shown, str) and same_words(shown, said)
    # What one field did is a small difference of two prices: in money (which is text) or on their logarithm.
    small = MONEY if isinstance(shown, str) else CLOSE
    return math.isclose(one, other, rel_tol=CLOSE, abs_tol=small)


def same_words(one: str, other: str) -> bool:
    """True if two lines are the same but for figures that lie close together."""
    if FIGURE.sub("#", one) != FIGURE.sub("#", other):
        return False
    return all(near(a, b) for a, b in zip(FIGURE.findall(one), FIGURE.findall(other), strict=True))


def near(one: str, other: str) -> bool:
    last_digit = 10.0 ** -len(one.partition(".")[2])
    numbers = (float(text.replace(",", "")) for text in (one, other))
    return math.isclose(*numbers, rel_tol=CLOSE, abs_tol=1.001 * last_digit if "." in one else 0.5)
