"""The levels of the ranges that a caller may ask for, as 0.8 for an 80% range."""

import re
from collections.abc import Sequence

from models.costs import MOST_LEVELS
from models.errors import Fault, InputError

# Few sales cannot support a level outside these limits, and nobody needs one.
LEAST_LEVEL, MOST_LEVEL = 0.01, 0.99
_NUMERAL = re.compile(r"0?\.\d{1,6}", re.ASCII)


def check_levels(levels: Sequence[object]) -> tuple[float, ...]:
    """Return the levels asked for, each once, in the order asked. Raises InputError with every fault."""
    if not 1 <= len(levels) <= MOST_LEVELS:
        allowed = f"1 to {MOST_LEVELS} levels"
        step = "name as many as you need"
        raise InputError([Fault("levels", len(levels), "is not a usable number of levels", allowed, step)])
    allowed = f"a number from {LEAST_LEVEL:g} to {MOST_LEVEL:g}"
    faults = [
        Fault("levels", level, "is not a level", allowed, _step(level))
        for level in levels
        if not _is_level(level)
    ]
    if faults:
        raise InputError(faults)
    return tuple(dict.fromkeys(float(level) for level in levels if isinstance(level, int | float)))


def _is_level(level: object) -> bool:
    number = isinstance(level, int | float) and not isinstance(level, bool)
    return number and LEAST_LEVEL <= level <= MOST_LEVEL  # type: ignore[operator]  # false for NaN


def _step(level: object) -> str:
    quoted = isinstance(level, str) and _NUMERAL.fullmatch(level)
    return f"send {level} without quotes" if quoted else "write 80% as 0.8"
