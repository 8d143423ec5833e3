"""Amounts of money that callers send."""

from __future__ import annotations

import re
from decimal import Decimal

PATTERN = r"\d{1,12}(\.\d{1,6})?"
_AMOUNT = re.compile(PATTERN, re.ASCII)


def read_amount(value: object) -> Decimal | None:
    """Read an amount of 0 or more from decimal text or a JSON number; return None for anything else."""
    plain = isinstance(value, str | int | float) and not isinstance(value, bool)
    return Decimal(str(value)) if plain and _AMOUNT.fullmatch(str(value)) else None
