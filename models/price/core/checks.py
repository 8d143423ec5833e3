"""Checks of what is read from the files of a price model, which may come from a stranger.

A number that is not finite would go unnoticed through the arithmetic and come out as the value of an
instrument. An array of another shape can be read past its end, or be stretched in silence.
"""

import json
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.errors import BundleDamagedError


def read_json(data: bytes) -> Any:
    """Read JSON in which all numbers are finite. Raises ValueError."""
    return json.loads(data, parse_constant=_finite, parse_float=_finite)


def check_numbers(name: str, found: NDArray[Any], *shape: int | None) -> None:
    """Check that an array holds finite numbers in this shape; None stands for any length.

    Raises BundleDamagedError that names the array.
    """
    fits = len(found.shape) == len(shape) and all(
        wanted is None or length == wanted for length, wanted in zip(found.shape, shape, strict=True)
    )
    if not fits:
        said = " × ".join("any" if length is None else str(length) for length in shape)
        raise BundleDamagedError(f"{name} is of shape {found.shape}; {said} is needed")
    if found.dtype.kind not in "fiu" or not np.isfinite(found).all():
        raise BundleDamagedError(f"{name} holds what is not a finite number")


def check_ascending(name: str, found: Sequence[float], *, least: int = 1, equal: bool = False) -> None:
    """Check that there are at least so many numbers, each above the one before; `equal`: or the same.

    Raises BundleDamagedError that names them.
    """
    steps = np.diff(np.asarray(found, np.float64))
    if len(found) < least or not (steps >= 0 if equal else steps > 0).all():
        raise BundleDamagedError(f"{name} do not ascend, or are fewer than {least}")


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text} is not a finite number")
    return number
