"""One small catalogue, rates and a way to read evidence rows, for the tests of the reader."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from pathlib import Path

import numpy as np

from models.domain.catalogue import read_catalogue
from models.domain.money import Rates
from training.reading import Reading, read_evidence

CATALOGUE = read_catalogue(
    """
    [[model]]
    maker = "Tidewright"
    name = "Sœur Océane"
    first_year = 1960
    last_year = 1970
    [[model.finish]]
    name = "Grey Gull"
    [[model]]
    maker = "Tidewright"
    name = "Low Water"
    first_year = 1960
    last_year = 1970
    """
)
# 2020-01-01 and 2020-01-02; crowns stop after the first day.
RATES = Rates(
    np.array([date(2020, 1, 1).toordinal(), date(2020, 1, 2).toordinal()]),
    {"EUR": np.array([1.1, 1.2]), "SEK": np.array([0.1, np.nan])},
)
TODAY = date(2024, 6, 30)
GOOD: Mapping[str, str] = {
    "id": "A1",
    "kind": "sale",
    "date": "2021-05-06",
    "price": "1200.50",
    "currency": "USD",
    "channel": "dealer",
    "source": "a note",
    "maker": "Tidewright",
    "model": "Low Water",
    "year": "1965",
    "condition_neck": "2",
}
COLUMNS = tuple(GOOD)

Read = Callable[..., Reading]


def reader(path: Path) -> Read:
    """A reader of evidence that is written to this path first."""

    def read_bytes(data: bytes | str, **how: bool) -> Reading:
        path.write_bytes(data if isinstance(data, bytes) else data.encode())
        return read_evidence(path, CATALOGUE, RATES, progress=False, today=TODAY, **how)

    return read_bytes


def csv_text(rows: Iterable[Mapping[str, str]], columns: Sequence[str] = COLUMNS, end: str = "\n") -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator=end, extrasaction="ignore", restval="")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def row(**changes: str) -> dict[str, str]:
    return {**GOOD, **changes}
