"""Readers of the CSV cells that evidence and stock lists share: an id, a term, a currency, a day."""

import re
from datetime import UTC, date, datetime, timedelta
from functools import partial

from models.domain.names import nearest
from models.domain.vocabulary import MAX_TEXT
from models.errors import Fault

EARLIEST = date(1900, 1, 1)
# The latest day of a value or a record; a later one is taken for a typing error.
LAST_DAY = date(2100, 12, 31)
_FIRST_TO_BEGIN = timedelta(hours=14)  # The earliest time zone is 14 hours ahead of UTC.


def last_day(now: datetime | None = None) -> date:
    """Return today's date in the earliest time zone: a record dated later than that lies in the future."""
    return ((now or datetime.now(UTC)) + _FIRST_TO_BEGIN).date()


def read_id(cell: str, faults: list[Fault]) -> str:
    """Return the row's id as it is, and add to `faults` if it is empty or cannot be an id."""
    if not cell:
        faults.append(Fault("id", cell, "is required", "text", "give each row an id of its own"))
    elif not is_id(cell):
        faults.append(Fault("id", cell, "cannot be an id", f"at most {MAX_TEXT} printable characters"))
    return cell


def is_id(text: str) -> bool:
    """Say if the text can be the id of a row."""
    return 0 < len(text) <= MAX_TEXT and text.isprintable()


def read_term(name: str, cell: str, allowed: tuple[str, ...], faults: list[Fault]) -> str:
    """Return the cell's term in lower case, and add to `faults` if it is not one of `allowed`."""
    word = cell.casefold()
    if word not in allowed:
        problem = "is not a term of this field" if cell else "is required"
        hint, near = "use one of the allowed terms", partial(nearest, word, allowed, 1)
        faults.append(Fault(name, cell, problem, ", ".join(allowed), hint, near))
    return word


def read_currency(cell: str, known: tuple[str, ...], faults: list[Fault]) -> str:
    """Return the cell's currency code in upper case; if it is not known, add to `faults` and return ""."""
    code = cell.upper()
    if code in known:
        return code
    hint, near = "use an ISO 4217 code with a known rate", partial(nearest, code, known)
    problem = "is not a currency with a known rate" if cell else "is required"
    faults.append(Fault("currency", cell, problem, ", ".join(known), hint, near, hinted=3))
    return ""


_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)


def read_day(cell: str, faults: list[Fault], *, latest: date) -> date | None:
    """Read an ISO 8601 day from `EARLIEST` to `latest`; for other text, add to `faults` and return None."""
    allowed = "a day as YYYY-MM-DD"
    try:
        day = date.fromisoformat(cell) if _DAY.fullmatch(cell) else None
    except ValueError:
        faults.append(Fault("date", cell, "is not a day of the calendar", allowed, "correct it"))
        return None
    if day is None:
        problem = "is not an ISO 8601 day" if cell else "is required"
        faults.append(Fault("date", cell, problem, allowed, "write the year first, as 2024-03-31"))
    elif day > latest:
        faults.append(Fault("date", cell, "is in the future", f"up to {latest.isoformat()}", "correct it"))
    elif day < EARLIEST:
        faults.append(Fault("date", cell, "is too long ago", f"from {EARLIEST.isoformat()}", "correct it"))
    else:
        return day
    return None
