"""Money: the one module that rounds it, converts it, and splits it into amounts that add up exactly."""

import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.errors import RateError

BASE_CURRENCY = "USD"

# The currencies of ISO 4217 whose number of decimals is not 2.
_NO_MINOR_UNIT = "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF"
_MINOR_UNITS = {
    **dict.fromkeys(_NO_MINOR_UNIT.split(" "), 0),
    **dict.fromkeys(("BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"), 3),
    **dict.fromkeys(("CLF", "UYW"), 4),
}


_NUMERAL = re.compile(r"-?\d+(\.\d*)?", re.ASCII)


def amount_step(value: object, *, quoted: bool = False) -> str:
    """Return what to do about a value that is no amount. `quoted`: JSON has an amount as text alone."""
    if isinstance(value, str) and value.strip() and not _NUMERAL.fullmatch(value.strip()):
        return "write digits and a decimal point only, as 1200.50"
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if quoted and number and 0 <= value < 1e12:  # type: ignore[operator]  # false for NaN
        return f'send it as text, in quotes: "{value}"'
    return "correct it"


class Amount(NamedTuple):
    """An amount of money as decimal text, and its currency."""

    amount: str
    currency: str


def minor_units(currency: str) -> int:
    """Return the number of decimals of an amount in this currency (ISO 4217)."""
    return _MINOR_UNITS.get(currency, 2)


@cache
def quantum(currency: str) -> Decimal:
    """Return the smallest amount of this currency, as 0.01 for US dollars."""
    return Decimal(1).scaleb(-minor_units(currency))


@cache
def _written_as(currency: str) -> tuple[float, str]:
    """Return a factor that makes floats halfway between two amounts whole, and the format of an amount."""
    units = minor_units(currency)
    return 2.0 ** (units + 1), f".{units}f"


def round_money(amount: float | Decimal, currency: str) -> Decimal:
    """Round a finite amount half up to the currency's minor unit."""
    if type(amount) is float:
        halves, form = _written_as(currency)
        # `format` is fast and rounds the float's exact value; only halfway does it not round half up.
        if not (amount * halves).is_integer():
            return Decimal(format(amount, form))
    return Decimal(amount).quantize(quantum(currency), rounding=ROUND_HALF_UP)


def adjusted(
    value: Decimal, currency: str, *, amount: Decimal | None = None, per_cent: Decimal | None = None
) -> Decimal:
    """Return a value after an adjustment by an amount, or by a share in per cent of it; never below 0."""
    moved = value + (amount or 0) + value * (per_cent or 0) / 100
    return max(round_money(moved, currency), round_money(Decimal(0), currency))


def log_mean(a: float, b: float) -> float:
    """Return the logarithmic mean of a, b > 0: (a − b) / ln(a / b).

    It is a if they are equal. Ang (2005), Energy Policy 33.
    """
    if a == b:
        return a
    ratio = math.log(a / b)
    # For a near b the plain quotient loses digits; this form with sinh keeps them.
    return math.sqrt(a * b) * (math.sinh(ratio / 2) / (ratio / 2)) if ratio else a


def split_money(
    value: Decimal, reference: Decimal, effects: Sequence[float], currency: str
) -> tuple[Decimal, ...]:
    """Turn log effects into amounts of money, one each, whose sum is exactly value − reference.

    Each amount is the logarithmic mean of value and reference times the effect, rounded. The largest effect
    takes the remainder of the rounding. Without effects the tuple is empty.
    """
    if not effects:
        return ()
    mean = log_mean(float(value), float(reference))
    nothing = round_money(0, currency)
    amounts = [round_money(mean * effect, currency) if effect else nothing for effect in effects]
    sizes = [abs(effect) for effect in effects]
    largest = sizes.index(max(sizes))
    amounts[largest] += value - reference - sum(amounts, Decimal(0))
    return tuple(amounts)


class Quote(NamedTuple):
    """One exchange rate. `usd`: US dollars for one unit; `day`: when it was quoted; `source`: its publisher.

    For US dollars themselves the rate is 1 and the day is the day asked for.
    """

    usd: float
    day: date
    source: str


NO_RATE_NEEDED = "none needed"
UNRECORDED = "not recorded in this price model"


@dataclass(frozen=True)
class Rates:
    """Daily exchange rates, in US dollars for one unit of each currency; every bundle carries them.

    `days`: (d,) int64 of `date.toordinal`, ascending. `usd`: currency → (d,) float64, NaN where not quoted.
    `source`: who published the rates, in words. Between days, and after the last one, the rate of the last
    day before counts.
    """

    days: NDArray[np.int64]
    usd: Mapping[str, NDArray[np.float64]]
    source: str = UNRECORDED

    @property
    def currencies(self) -> tuple[str, ...]:
        """All currencies that can be converted, US dollars first."""
        return (BASE_CURRENCY, *sorted(self.usd))

    def quoted_on(self, day: date) -> tuple[str, ...]:
        """Return the currencies that have a rate on this day, US dollars first: former ones have none now."""
        at = self._position(day)
        quoted = [name for name in sorted(self.usd) if at >= 0 and not math.isnan(self.usd[name][at])]
        return (BASE_CURRENCY, *quoted)

    def _position(self, day: date) -> int:
        """Return the position of the last day up to this one; −1 if there is none."""
        return int(np.searchsorted(self.days, day.toordinal(), side="right")) - 1

    @property
    def last_day(self) -> date | None:
        """The last day of the rates; None where there are only US dollars."""
        return date.fromordinal(int(self.days[-1])) if len(self.days) else None

    def usd_per(self, currency: str, day: date) -> float:
        """Return the US dollars for one unit of `currency` on `day`. Raises RateError."""
        return self.quote(currency, day).usd

    def quote(self, currency: str, day: date) -> Quote:
        """Return the rate of `currency` that counts on `day`, with the day of its quote. Raises RateError."""
        if currency == BASE_CURRENCY:
            return Quote(1.0, day, NO_RATE_NEEDED)
        quotes = self.usd.get(currency)
        if quotes is None:
            raise RateError(f"no exchange rate for {currency}; known: {', '.join(self.currencies)}")
        at = self._position(day)
        if at < 0 or math.isnan(rate := float(quotes[at])):
            raise RateError(f"no exchange rate for {currency} on {day.isoformat()} or before it")
        return Quote(rate, date.fromordinal(int(self.days[at])), self.source)

    def to_bytes(self) -> bytes:
        """Return the rates as npz."""
        names = sorted(self.usd)
        table = np.stack([self.usd[n] for n in names]) if names else np.zeros((0, len(self.days)))
        out = io.BytesIO()
        words = {"names": np.array(names, dtype="U3"), "source": np.array(self.source)}
        np.savez_compressed(out, days=self.days, usd=table, **words)  # type: ignore[arg-type]
        return out.getvalue()

    @classmethod
    def from_bytes(cls, data: bytes) -> "Rates":
        """Read rates that `to_bytes` wrote. Raises KeyError or ValueError for other data."""
        with np.load(io.BytesIO(data), allow_pickle=False) as npz:
            names, table = npz["names"], npz["usd"]
            usd = {str(name): table[i] for i, name in enumerate(names)}
            source = str(npz["source"]) if "source" in npz.files else UNRECORDED
            days = npz["days"]
        if table.shape != (len(names), len(days)) or not (np.diff(days) > 0).all():
            raise ValueError("the rates are not one for each currency and day, or the days do not ascend")
        if not (np.isnan(table) | ((table > 0) & np.isfinite(table))).all():
            raise ValueError("a rate is neither a number above 0 nor left out")
        return cls(days, usd, source)
