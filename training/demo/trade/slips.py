"""Recording mistakes in otherwise good rows. No reader can detect them, so a fit must be robust to them."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from models.domain.evidence import Evidence
from training.demo.trade.events import SALE, Counts, Events

NONE, DECIMAL, CURRENCY, TWICE = range(4)
SLIPS: tuple[str, ...] = ("", "misplaced decimal point", "price in another currency", "sale recorded twice")


def with_slips(events: Events, counts: Counts, share: float, seed: int) -> Events:
    """Return the events with mistakes in this share of the evidence's sales, each kind equally often.

    A misplaced decimal point changes `log_price`. A wrong currency is only marked here; `to_money` writes it.
    A sale recorded twice replaces another event by a copy of it; `recorded_twice` then copies the record.
    """
    count = round(share * counts.sales / 3)
    if not count:
        return events
    rng = np.random.default_rng([seed, 7])
    sales = np.flatnonzero(events.kind[: counts.evidence] == SALE)
    picked = rng.choice(sales, 4 * count, replace=False).reshape(4, count)
    slip, price, day = events.slip.copy(), events.log_price.copy(), events.day.copy()
    channel, value = events.channel.copy(), events.log_value.copy()
    specimens = {name: values.copy() for name, values in events.specimens.items()}
    slip[picked[0]], slip[picked[1]], slip[picked[2]] = DECIMAL, CURRENCY, TWICE
    price[picked[0]] += rng.choice((-1.0, 1.0), count) * np.log(10.0)
    for values in (price, day, channel, value, *specimens.values()):
        values[picked[2]] = values[picked[3]]
    return replace(
        events,
        specimens=specimens,
        slip=slip,
        log_price=price,
        day=day,
        channel=channel,
        log_value=value,
    )


def recorded_twice(rows: Sequence[Evidence], events: Events) -> list[Evidence]:
    """Return the rows; each event marked `TWICE` repeats the first record of its sale under its own id."""
    out = list(rows)
    serial, day = events.specimens["serial"], events.day
    for at in np.flatnonzero(events.slip == TWICE):
        same = (serial == serial[at]) & (day == day[at]) & (events.slip != TWICE)
        first = int(np.flatnonzero(same & (events.kind == SALE))[0])
        out[at] = replace(out[first], id=out[at].id)
    return out
