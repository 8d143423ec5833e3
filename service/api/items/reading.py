"""Read an item, from JSON or from the cells of a sheet, with every fault at once."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from functools import partial
from typing import Any

from models.costs import LONGEST_EXTRA_NAME, LONGEST_EXTRA_TEXT, MOST_EXTRA, MOST_EXTRA_CHARACTERS
from models.domain.cells import last_day, read_day, read_term
from models.domain.instrument import Described, Instrument, read_flat, read_nested
from models.domain.money import Amount, amount_step, minor_units, round_money
from models.domain.names import ALIKE, nearest
from models.domain.vocabulary import CHANNEL_NAMES, DEFAULT_CHANNEL
from models.errors import Fault, InputError
from models.valuation.valuer import Valuer
from service.inventory.records import IN_STOCK, LONGEST_STOCK_NUMBER, STATUSES, Extra, Item

MEMBERS = ("instrument", "cost", "asking", "bought", "channel", "status", "extra")
AMOUNTS = ("cost", "asking")
AMOUNT_PATTERN = r"\d{1,12}(\.\d{1,4})?"
_AMOUNT = re.compile(AMOUNT_PATTERN, re.ASCII)
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f\ufffe\uffff]")
_BELOW = ("history", "confirmation")  # the last parts of paths below that of an item
_TAKEN = ("changes",)  # paths beside those of items
_MOST_WHOLE = 2**53 - 1  # the largest whole number that every reader of JSON keeps
STOCK_NUMBER = (
    f"1 to {LONGEST_STOCK_NUMBER} printable characters, no blank and no / at either end, no . or .. between "
    f"two /, not {', '.join(_TAKEN)}, and no /{', /'.join(_BELOW)} at the end"
)


def stock_number_faults(given: object) -> list[Fault]:
    """Return the fault of a stock number that cannot be kept, or cannot be part of an address."""
    text = given if isinstance(given, str) else ""
    parts = text.split("/")
    good = 0 < len(text) <= LONGEST_STOCK_NUMBER and text.isprintable() and text == text.strip()
    if (
        good
        and all(parts)
        and not {".", ".."} & set(parts)
        and text not in _TAKEN
        and parts[-1] not in _BELOW
    ):
        return []
    problem, step = ("cannot be a stock number", "use another one") if given else ("is required", "send it")
    return [Fault("stock_number", given, problem, STOCK_NUMBER, step)]


@dataclass(frozen=True)
class ItemReader:
    """Reads items by a catalogue, and by the currencies that have a rate on a day."""

    valuer: Valuer
    currencies: Sequence[str]

    @classmethod
    def of(cls, valuer: Valuer, day: date) -> ItemReader:
        """Make the reader of this day."""
        return cls(valuer, valuer.rates.quoted_on(day))

    def from_json(self, stock_number: Any, data: Mapping[str, Any], also: Sequence[str] = ()) -> Item:
        """Read the members of a JSON object. `also`: members that may stand beside. Raises InputError."""
        faults = stock_number_faults(stock_number)
        known = (*also, *MEMBERS)
        faults += [_unknown(name, value, known) for name, value in data.items() if name not in known]
        it = self._instrument(read_nested, data.get("instrument"), "instrument", faults)
        cost, asking = (self._nested_amount(name, data.get(name), faults) for name in AMOUNTS)
        bought, channel, status = (_text(name, data.get(name), faults) for name in MEMBERS[3:6])
        extra = read_extra(data.get("extra"), faults)
        return _item(stock_number, it, (cost, asking), (bought, channel, status), extra, faults)

    def from_cells(self, cells: Mapping[str, str], extra: Extra) -> Item:
        """Read the cells of a row. `extra`: the cells of columns of the caller's own. Raises InputError."""
        plain = {name: cell.strip() for name, cell in cells.items()}
        stock_number = plain.get("stock_number", "")
        faults = stock_number_faults(stock_number)
        it = self._instrument(read_flat, plain, "", faults)
        cost, asking = (self._flat_amount(name, plain, faults) for name in AMOUNTS)
        bought, channel, status = (plain.get(name) or None for name in MEMBERS[3:6])
        return _item(
            stock_number, it, (cost, asking), (bought, channel, status), read_extra(extra, faults), faults
        )

    def _instrument(
        self, read: Callable[[Any], Described], given: Any, under: str, faults: list[Fault]
    ) -> Instrument:
        if given is None:
            faults.append(Fault(under, None, "is required", "an object", "say what it is"))
            return Instrument("", "")
        try:
            return self.valuer.catalogue.read(read, given).instrument
        except InputError as error:
            faults += [_inside(fault, under) for fault in error.faults]
            return Instrument("", "")

    def _nested_amount(self, name: str, given: Any, faults: list[Fault]) -> Amount | None:
        if given is None:
            return None
        if not isinstance(given, Mapping):
            allowed = 'an object such as {"amount": "1250.00", "currency": "USD"}'
            faults.append(Fault(name, given, "is not an object", allowed, "correct it or leave it out"))
            return None
        faults += [
            _unknown(f"{name}.{member}", value, Amount._fields)
            for member, value in given.items()
            if member not in Amount._fields
        ]
        where = (f"{name}.amount", f"{name}.currency")
        return self._amount(where, given.get("amount"), given.get("currency"), faults)

    def _flat_amount(self, name: str, cells: Mapping[str, str], faults: list[Fault]) -> Amount | None:
        where = (name, f"{name}_currency")
        amount, currency = (cells.get(one, "") for one in where)
        return self._amount(where, amount, currency, faults) if amount or currency else None

    def _amount(
        self, where: tuple[str, str], amount: Any, currency: Any, faults: list[Fault]
    ) -> Amount | None:
        before, code = len(faults), currency.upper() if isinstance(currency, str) else ""
        if code not in self.currencies:
            near = partial(nearest, code, self.currencies)
            problem = "is not a currency with a rate today" if currency else "is required beside the amount"
            allowed = ", ".join(self.currencies)
            faults.append(Fault(where[1], currency, problem, allowed, "choose one", near, hinted=0))
        good = isinstance(amount, str) and _AMOUNT.fullmatch(amount)
        if not good or (where[0].startswith("asking") and not Decimal(amount)):
            allowed = 'decimal text, such as "1250.00"; an asking price is above 0'
            missing = amount is None or amount == ""
            problem = "is required beside the currency" if missing else "is not such an amount"
            step = "send both or neither" if missing else amount_step(amount, quoted=True)
            faults.append(Fault(where[0], amount, problem, allowed, step))
        elif len(amount.partition(".")[2].rstrip("0")) > minor_units(code):
            digits, problem = minor_units(code), f"is finer than {code or 'money'} can be"
            faults.append(Fault(where[0], amount, problem, f"at most {digits} decimals", "round it"))
        return Amount(str(round_money(Decimal(amount), code)), code) if len(faults) == before else None


def read_extra(given: Any, faults: list[Fault]) -> Extra:
    """Read what the caller keeps with an item: an object of texts, numbers, flags and nulls."""
    if given is None:
        return {}
    if not isinstance(given, Mapping):
        faults.append(Fault("extra", given, "is not an object", "a JSON object", "correct it"))
        return {}
    if len(given) > MOST_EXTRA:
        problem, allowed = f"has {len(given)} members", f"at most {MOST_EXTRA}"
        faults.append(Fault("extra", None, problem, allowed, "keep the others elsewhere"))
        return {}
    size = 0
    for name, value in given.items():
        faults += _extra_faults(name, value)
        size += len(name) + (len(value) if isinstance(value, str) else 8)
    if size > MOST_EXTRA_CHARACTERS:
        problem, allowed = f"has {size:,} characters", f"at most {MOST_EXTRA_CHARACTERS:,}"
        faults.append(Fault("extra", None, problem, allowed, "keep the rest elsewhere"))
    return dict(given)


def _extra_faults(name: str, value: Any) -> list[Fault]:
    if not 0 < len(name) <= LONGEST_EXTRA_NAME or not name.isprintable() or name != name.strip():
        allowed = f"1 to {LONGEST_EXTRA_NAME} printable characters, without blanks at the ends"
        return [Fault("extra", name, "is no such name of a member", allowed, "rename it")]
    where = f"extra.{name}"
    if isinstance(value, str):
        if len(value) <= LONGEST_EXTRA_TEXT and not _CONTROL.search(value):
            return []
        allowed = f"at most {LONGEST_EXTRA_TEXT:,} characters, and of control characters line feed and tab"
        return [Fault(where, value, "is not such a text", allowed, "make it shorter, or clean it")]
    whole = isinstance(value, int) and abs(value) <= _MOST_WHOLE
    if value is None or whole or isinstance(value, float):
        return []
    allowed = "a text, true, false, null, or a number; whole ones up to 2 ** 53 - 1"
    return [Fault(where, value, "cannot be kept", allowed, "send it as text")]


def _item(
    stock_number: Any,
    it: Instrument,
    amounts: tuple[Amount | None, Amount | None],
    texts: tuple[str | None, str | None, str | None],
    extra: Extra,
    faults: list[Fault],
) -> Item:
    bought, channel, status = texts
    heard: list[Fault] = []
    day = read_day(bought, heard, latest=last_day()) if bought is not None else None
    faults += [replace(fault, field="bought") for fault in heard]
    channel = read_term("channel", DEFAULT_CHANNEL if channel is None else channel, CHANNEL_NAMES, faults)
    status = read_term("status", IN_STOCK if status is None else status, STATUSES, faults)
    if faults:
        raise InputError(faults)
    return Item(stock_number, it, *amounts, day, channel, status, extra)


def _text(name: str, value: Any, faults: list[Fault]) -> str | None:
    if value is None or isinstance(value, str):
        return value
    faults.append(Fault(name, value, "is not text", "text", "put it in quotes"))
    return None


def _unknown(name: str, value: Any, known: Sequence[str]) -> Fault:
    near = partial(nearest, name, known, 1, ALIKE)
    return Fault(name, value, "is not a member of an item", ", ".join(known), "leave it out", near)


def _inside(fault: Fault, under: str) -> Fault:
    return fault if not under or fault.field == under else replace(fault, field=f"{under}.{fault.field}")
