"""The kept causes of a move of a value: the value before it, and the amount of each cause."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any, NamedTuple

import orjson
from sqlalchemy import Connection, Row, bindparam, func, select

from models.decisions.movement import Movement, ValuedState, movements
from models.domain.instrument import Instrument, Subject
from models.domain.money import Amount
from models.valuation.valuer import Valuation, Valuer
from service.db.item_tables import ITEM_VALUES
from service.errors import BundleGoneError
from service.inventory.records import amount_in, dumped
from service.server.bundle_cache import BundleCache
from service.server.live_bundle import LiveBundle

Columns = Mapping[str, Any]
FIRST: Columns = {"before": None, "restated_from": None, "why": "[]"}  # of the first value of an item

_LAST = (
    select(ITEM_VALUES.c.stock_number, func.max(ITEM_VALUES.c.id).label("last_id"))
    .where(ITEM_VALUES.c.stock_number.in_(bindparam("wanted", expanding=True)))
    .group_by(ITEM_VALUES.c.stock_number)
)
_AMONG = select(ITEM_VALUES).where(ITEM_VALUES.c.id.in_(bindparam("wanted", expanding=True)))
_AT_ONCE = 500  # values that one statement asks for


class _Made(NamedTuple):
    last_id: int
    found: Valuation
    columns: Columns


class Moves:
    """The moves from the last kept values of items to new ones of one price model.

    `past`: gives the valuer of an earlier price model, None if that is gone.
    """

    def __init__(self, valuer: Valuer, past: Callable[[str], Valuer | None]) -> None:
        self._valuer, self._past = valuer, past
        self._read: dict[str, Valuer | None] = {}
        self._made: dict[str, _Made] = {}

    @classmethod
    def of(cls, valuer: Valuer, live: LiveBundle, cache: BundleCache) -> Moves:
        """Make it for a running application, which reads earlier price models from its store."""

        def past(version: str) -> Valuer | None:
            try:
                return (live.bundle_of(version) or cache.bundle(version)).valuer
            except BundleGoneError:
                return None

        return cls(valuer, past)

    def prepare(self, connection: Connection, found: Mapping[str, Valuation]) -> None:
        """Split moves before the transaction that keeps the values, so that this one is short."""
        ids, columns = self._split(connection, found)
        self._made |= {number: _Made(at, found[number], columns[number]) for number, at in ids.items()}

    def columns(self, connection: Connection, found: Mapping[str, Valuation]) -> dict[str, Columns]:
        """Return the columns that say how each value moved, by stock number.

        What was prepared stands, unless another value of the item was kept meanwhile.
        """
        _, columns = self._split(connection, found)
        self._made.clear()
        return columns

    def _split(
        self, connection: Connection, found: Mapping[str, Valuation]
    ) -> tuple[dict[str, int], dict[str, Columns]]:
        last = _last(connection, found)
        made = {number: self._stands(number, at, found[number]) for number, at in last.items()}
        rows = _rows(connection, [at for number, at in last.items() if made[number] is None])
        pairs = [(_before(row), _after(found[row.stock_number])) for row in rows]
        for row, move in zip(rows, movements(pairs, self._valuer, self._earlier), strict=True):
            made[row.stock_number] = _columns(row, move)
        return last, {number: made.get(number) or FIRST for number in found}

    def _stands(self, number: str, last_id: int, found: Valuation) -> Columns | None:
        kept = self._made.get(number)
        return kept.columns if kept and kept.last_id == last_id and kept.found is found else None

    def _earlier(self, version: str) -> Valuer | None:
        if version not in self._read:
            self._read[version] = self._past(version)
        return self._read[version]


def shown(row: Row[Any]) -> dict[str, Any]:
    """Return what a kept value says of its move: `before` and `difference` are None for the first value."""
    before, value = amount_in(row.before), amount_in(row.value)
    moved = None
    if before and value:
        moved = Amount(str(Decimal(value.amount) - Decimal(before.amount)), value.currency)
    return {
        "before": before and before._asdict(),
        "restated_from": row.restated_from,
        "difference": moved and moved._asdict(),
        "why": orjson.loads(row.why),
    }


def _last(connection: Connection, numbers: Iterable[str]) -> dict[str, int]:
    """Return the id of each item's last kept value."""
    wanted, last = list(numbers), dict[str, int]()
    for start in range(0, len(wanted), _AT_ONCE):
        rows = connection.execute(_LAST, {"wanted": wanted[start : start + _AT_ONCE]})
        last |= {row.stock_number: row.last_id for row in rows}
    return last


def _rows(connection: Connection, ids: Sequence[int]) -> list[Row[Any]]:
    return [
        row
        for start in range(0, len(ids), _AT_ONCE)
        for row in connection.execute(_AMONG, {"wanted": ids[start : start + _AT_ONCE]})
    ]


def _before(row: Row[Any]) -> ValuedState:
    instrument = Instrument.from_nested(orjson.loads(row.instrument))
    value = Amount(**orjson.loads(row.value))
    subject = Subject(instrument, row.valued_on, row.channel)
    return ValuedState(subject, Decimal(value.amount), value.currency, row.rate, row.price_model)


def _after(found: Valuation) -> ValuedState:
    subject = Subject(found.instrument, found.day, found.channel)
    return ValuedState(subject, found.value, found.currency, found.rate, found.model_version)


def _columns(row: Row[Any], move: Movement) -> Columns:
    parts = [{"cause": part.cause, "field": part.field, "amount": str(part.amount)} for part in move.parts]
    before = Amount(str(move.before), move.currency)
    restated_from = row.currency if move.restated else None
    return {"before": dumped(before._asdict()), "restated_from": restated_from, "why": dumped(parts)}
