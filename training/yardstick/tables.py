"""Types of the arrays and tables that contestants are given."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.price.core.basis import Floats

Ints = NDArray[np.int64]
Table = Mapping[str, NDArray[Any]]  # numbers: float64 with NaN for unknown; levels: object, "" for unknown

__all__ = ["Floats", "Ints", "Table"]
