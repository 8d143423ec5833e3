"""The levels of the ranges that a caller may ask for, as 0.8 for an 80% range."""

from collections.abc import Sequence

from models.errors import Fault, InputError

# Few sales cannot support a level outside these limits, and nobody needs one. The last is a count of levels.
LEAST_LEVEL, MOST_LEVEL, MOST_LEVELS = 0.01, 0.99, 20


def check_levels(levels: Sequence[object]) -> tuple[float, ...]:
    """Return the levels asked for, each once, in the order asked. Raises InputError with every fault."""
    allowed = f"a number from {LEAST_LEVEL:g} to {MOST_LEVEL:g}"
    faults = [
        Fault("levels", level, "is not a level", allowed, "write 80% as 0.8")
        for level in levels
        if not _is_level(level)
    ]
    if not 1 <= len(levels) <= MOST_LEVELS:
        count, problem = len(levels), "is not a usable number of levels"
        faults.append(Fault("levels", count, problem, f"1 to {MOST_LEVELS} levels"))
    if faults:
        raise InputError(faults)
    return tuple(dict.fromkeys(float(level) for level in levels if isinstance(level, int | float)))


def _is_level(level: object) -> bool:
    number = isinstance(level, int | float) and not isinstance(level, bool)
    return number and LEAST_LEVEL <= level <= MOST_LEVEL  # type: ignore[operator]  # false for NaN
