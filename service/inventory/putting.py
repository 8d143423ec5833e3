"""Write items as the dealer says them, with their values; what is unchanged is left alone.

Items are valued before the transaction, so that no other writer waits meanwhile. If an item is changed in
between, all is done anew, at last within the transaction.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, Engine, Row

from models.errors import BookmatchError
from models.valuation.valuer import Valuer
from service.db.engine import reading, writing
from service.inventory import feed, records, valuing
from service.inventory.moves import Moves
from service.inventory.records import Item, Put
from service.inventory.valuing import Failed, Valued, found_in
from service.server.threads.turns import VALUING

UNCHANGED = "unchanged"
_ATTEMPTS = 3  # to value before the transaction
Rows = Mapping[str, Row[Any]]


class Author(NamedTuple):
    """The key that puts items, and the valuer and the day by which they are valued.

    `moves`: says why each value moves.
    """

    key_id: str
    valuer: Valuer
    day: date
    moves: Moves


class Done(NamedTuple):
    """The result for each stock number: `created`, `changed`, `unchanged`, or why there is no value."""

    results: Mapping[str, str | BookmatchError]
    rows: Rows
    words: Sequence[str]  # for the evidence of each new value


def as_sent(item: Item, before: Row[Any] | None) -> Item:
    """Return the item as it is."""
    return item


@dataclass(frozen=True)
class Stock:
    """The stock in a database, for one author.

    `settled`: makes of what was sent, and of the row that stands, the item that is meant. `check`: raises an
    error if the rows that stand forbid the change.
    """

    engine: Engine
    author: Author
    settled: Callable[[Item, Row[Any] | None], Item] = as_sent
    check: Callable[[Rows], None] = lambda rows: None

    def put(self, items: Sequence[Item]) -> Done:
        """Write items whose stock numbers differ from each other. An item without a value is left out."""
        names = [item.stock_number for item in items]
        for _ in range(_ATTEMPTS):
            with reading(self.engine) as connection:
                there = records.among(connection, names)
            self.check(there)
            plan = self._plan(items, there)
            if not plan.puts:
                return Done(plan.results, there, ())
            with reading(self.engine) as connection:
                self.author.moves.prepare(connection, found_in(plan.valued))
            with writing(self.engine) as connection:
                feed.lock(connection)
                now = records.among(connection, names)
                if all(_version(now.get(name)) == _version(there.get(name)) for name in names):
                    self.check(now)
                    return self._carry_out(connection, plan, now)
        with writing(self.engine) as connection:  # others were quicker each time, so now they wait
            feed.lock(connection)
            now = records.among(connection, names)
            self.check(now)
            return self._carry_out(connection, self._plan(items, now), now)

    def _plan(self, items: Sequence[Item], there: Rows) -> _Plan:
        puts, results, unvalued = list[Put](), dict[str, str | BookmatchError](), list[tuple[Item, int]]()
        for sent in items:
            before = there.get(sent.stock_number)
            item = self.settled(sent, before)
            if before is not None and records.says_the_same(before, item):
                results[item.stock_number] = UNCHANGED
                continue
            puts.append(Put(item, before))
            is_new = before is None or before.deleted is not None
            results[item.stock_number] = feed.CREATED if is_new else feed.CHANGED
            if before is None or not valuing.value_stands(before, item, self.author.valuer, self.author.day):
                unvalued.append((item, _version(before) + 1))
        with VALUING:
            outcomes = valuing.value_items(self.author.valuer, unvalued, self.author.day)
        failed = {one.stock_number: one.error for one in outcomes if isinstance(one, Failed)}
        kept = [one for one in puts if one.item.stock_number not in failed]
        return _Plan(kept, {**results, **failed}, [one for one in outcomes if isinstance(one, Valued)])

    def _carry_out(self, connection: Connection, plan: _Plan, now: Rows) -> Done:
        puts = [Put(item, now.get(item.stock_number)) for item, _ in plan.puts]
        changes = {item.stock_number: str(plan.results[item.stock_number]) for item, _ in puts}
        moment = datetime.now(UTC)
        records.write(connection, puts, self.author.key_id, moment)
        valuing.keep(connection, plan.valued, moment, moves=self.author.moves, changes=changes)
        rows = records.among(connection, plan.results)
        return Done(plan.results, rows, [one.found.evidence.word for one in plan.valued])


class _Plan(NamedTuple):
    puts: Sequence[Put]
    results: Mapping[str, str | BookmatchError]
    valued: Sequence[Valued]


def _version(row: Row[Any] | None) -> int:
    return 0 if row is None else int(row.version)
