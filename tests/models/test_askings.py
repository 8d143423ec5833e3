"""The evidence of asking prices, sales and declined offers is read aright, with shares put in by hand."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest
from fakes import CATALOGUE, RATES, FakePriceModel

from models.decisions.askings import OF_ALL, OF_MODEL, PriceShares, price_talk
from models.domain.evidence import Evidence
from models.domain.evidence_snapshot import EvidenceSnapshot
from models.domain.instrument import Instrument, Subject
from models.valuation.valuer import Valuer

DAY = date(2025, 6, 1)
VALUE = math.exp(8)  # of a blank instrument, in private: 2980.96
ASKED = Subject(Instrument("Ostvik", "Dal"), DAY, "private")


def record(
    kind: str,
    share: float,
    number: int,
    *,
    model: str = "Dal",
    channel: str = "private",
    serial: str | None = None,
    days: int = 30,
) -> Evidence:
    """A record at so large a share of the value, so many days before the day that is asked for."""
    price = Decimal(round(VALUE * share * (math.exp(-0.05) if channel == "dealer" else 1.0), 2)).quantize(
        Decimal("0.01")
    )
    it = Instrument("Ostvik", model, serial=serial)
    return Evidence(f"{kind}{number}", kind, DAY - timedelta(days=days), price, "USD", channel, "", it)


def valuer(rows: Iterable[Evidence]) -> Valuer:
    return Valuer(FakePriceModel(), CATALOGUE, RATES, "v", EvidenceSnapshot.of(rows))


def askings(shares: Iterable[float], **options: object) -> list[Evidence]:
    return [record("asking", share, n, **options) for n, share in enumerate(shares)]  # type: ignore[arg-type]


def close(found: PriceShares | None, records: int, of: str, *quartiles: float) -> None:
    assert found is not None
    assert (found.records, found.of) == (records, of)
    assert (found.low, found.median, found.high) == pytest.approx(quartiles, abs=1e-4)


def test_askings_say_value_over_price() -> None:
    talk = price_talk(valuer(askings([1.0, 1.25, 1.25, 2.0, 2.5])), ASKED)
    # Of 1, 0.8, 0.8, 0.5 and 0.4 in order: the quartiles are the second, third and fourth.
    close(talk.asked, 5, OF_MODEL, 0.5, 0.8, 0.8)
    assert talk.sold is None and talk.declined is None


def test_fewer_than_five_say_nothing() -> None:
    assert price_talk(valuer(askings([1.0, 1.25, 1.25, 2.0])), ASKED).asked is None
    assert price_talk(valuer([]), ASKED).asked is None


def test_other_models_speak_where_the_own_one_has_too_few() -> None:
    own, others = askings([2.0] * 4), askings([1.25] * 5, model="Fjell 2")
    rows = [*own, *(replace(row, id=f"other {row.id}") for row in others)]
    close(price_talk(valuer(rows), ASKED).asked, 9, OF_ALL, 0.5, 0.8, 0.8)


def test_records_after_the_day_are_not_known_yet() -> None:
    assert price_talk(valuer(askings([1.25] * 5, days=-1)), ASKED).asked is None
    close(price_talk(valuer(askings([1.25] * 5, days=0)), ASKED).asked, 5, OF_MODEL, 0.8, 0.8, 0.8)


def test_askings_of_one_channel_are_valued_in_it() -> None:
    rows = askings([1.25] * 5, channel="dealer")
    close(price_talk(valuer(rows), ASKED, "dealer").asked, 5, OF_MODEL, 0.8, 0.8, 0.8)
    assert price_talk(valuer(rows), ASKED, "online").asked is None


def test_declined_offers_say_price_over_value() -> None:
    rows = [record("offer", share, n) for n, share in enumerate([0.5, 0.6, 0.7, 0.8, 0.9])]
    close(price_talk(valuer(rows), ASKED).declined, 5, OF_MODEL, 0.6, 0.7, 0.8)


def test_a_sale_within_a_year_says_what_became_of_an_asking_price() -> None:
    rows = []
    for n in range(5):
        rows.append(record("asking", 2.0, n, serial=f"s{n}", days=400))
        rows.append(record("sale", 1.0 + n / 10, n, serial=f"s{n}", days=100))
    close(price_talk(valuer(rows), ASKED).sold, 5, OF_MODEL, 0.55, 0.6, 0.65)


@pytest.mark.parametrize(("asked", "sold"), [(400, 34), (100, 100), (100, 200)])
def test_other_sales_do_not(asked: int, sold: int) -> None:
    """Later than a year, on the same day, or before."""
    rows = []
    for n in range(5):
        rows.append(record("asking", 2.0, n, serial=f"s{n}", days=asked))
        rows.append(record("sale", 1.0, n, serial=f"s{n}", days=sold))
    assert price_talk(valuer(rows), ASKED).sold is None


def test_instruments_without_a_serial_are_no_pair() -> None:
    rows = askings([2.0] * 5, days=200)
    rows += [record("sale", 1.0, n, days=100) for n in range(5)]
    assert price_talk(valuer(rows), ASKED).sold is None
