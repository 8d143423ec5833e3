"""Each type of value is found in its own market, from the price model's own distribution.

The fake's arithmetic (`fakes`): a log value of 8, less .1 for each step of loss, less .05 at a dealer's; half
the width of a range in log is .3 × level × (1 + fields that are not known / 10).
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

import pytest
from apps import caller_of
from asking import Caller
from flask import Flask
from reporting import Page, issued, requested, settled, sums_of, unprinted

from models.domain.evidence import Evidence
from models.domain.evidence_snapshot import NO_EVIDENCE, EvidenceSnapshot
from models.domain.instrument import Instrument
from models.valuation.levels import check_levels
from service.reports.kinds import LEAST_SHARE, MOST_SHARE, VALUE_TYPES, levels_of, market_of

# The request of `reporting`: neck wear 4 and pickups one step below original, so .5 in all; of the 28 fields
# from the year on, all but year, serial, neck and pickups are not known.
LOSS, UNKNOWN = 0.5, 28 - 4
FJELL = Instrument("Ostvik", "Fjell 2")
DAY = date(2026, 1, 2)


def usd(log: float) -> str:
    return f"{math.exp(log):.2f}"


def half(level: float) -> float:
    return 0.3 * level * (1 + UNKNOWN / 10)


@pytest.fixture(autouse=True)
def _without_pdf() -> Iterator[None]:
    with unprinted():
        yield


@pytest.fixture(scope="module")
def specialist(shared_app: Flask) -> Caller:
    found = caller_of(shared_app, "requests")
    settled(found)
    return found


@pytest.mark.parametrize(
    ("type_of_value", "channel", "wanted"),
    [
        (
            "fair_market_value",
            "dealer",
            {"value": usd(8 - LOSS - 0.05)},
        ),  # its one closed sale was at a dealer's
        ("retail_replacement", "dealer", {"value": usd(8 - LOSS - 0.05)}),
        (
            "auction_estimate",
            "auction",
            {"low": usd(8 - LOSS - half(0.5)), "high": usd(8 - LOSS + half(0.5))},
        ),
        # A tenth of sales below: the low end of the central 80%.
        ("liquidation", "auction", {"value": usd(8 - LOSS - half(0.8))}),
    ],
)
def test_each_type_of_value(
    specialist: Caller, shared_app: Flask, type_of_value: str, channel: str, wanted: dict[str, str]
) -> None:
    request_id, _ = requested(shared_app)
    answer = issued(specialist, request_id, type_of_value)
    said = specialist.get(f"/v1/reports/{answer['id']}").json
    assert {figure["name"]: figure["concluded"] for figure in said["opinion"]["figures"]} == wanted
    kind = said["type_of_value"]
    assert (kind["name"], kind["channel"]) == (type_of_value, channel)
    assert kind["definition"] and kind["source"] and kind["why_this_market"]
    page = Page(specialist.get(f"/v1/reports/{answer['id']}.html").get_data())
    shown = page.table("The price model's figure")[1:]
    assert [row[-1].replace(",", "") for row in shown] == list(wanted.values())
    sums = ["The price model's middle estimate of this instrument"]
    assert sums_of(page) == sums + ["The price model's liquidation value"] * (type_of_value == "liquidation")
    if type_of_value == "liquidation":
        assert "10% of such sales are expected to stay below" in page.text
        assert "That the owner has to sell within a short time" in page.text


def test_the_figures_are_those_of_a_valuation(specialist: Caller, shared_app: Flask) -> None:
    request_id, _ = requested(shared_app)
    said = specialist.get(f"/v1/reports/{issued(specialist, request_id)['id']}").json
    body = {
        "instrument": said["property"]["instrument"],
        "date": said["effective_date"],
        "channel": said["type_of_value"]["channel"],
        "levels": [0.5, 0.8, 0.95],
    }
    found = caller_of(shared_app, "valuations").post("/v1/valuations", body).json
    assert found["value"] == said["opinion"]["middle"]
    ranges = [(one["low"], one["high"]) for one in found["intervals"]]
    assert [(one["low"], one["high"]) for one in said["opinion"]["ranges"]] == ranges


def test_another_share_is_another_liquidation_value(specialist: Caller, shared_app: Flask) -> None:
    settled(specialist, liquidation_share="0.25")
    request_id, _ = requested(shared_app)
    said = specialist.get(f"/v1/reports/{issued(specialist, request_id, 'liquidation')['id']}").json
    settled(specialist)
    assert said["opinion"]["figures"][0]["model"] == usd(8 - LOSS - half(0.5))


@pytest.mark.parametrize("share", [LEAST_SHARE, Decimal("0.1"), MOST_SHARE])
def test_every_share_that_can_be_set_has_a_level(share: Decimal) -> None:
    assert check_levels(levels_of("liquidation", share)) == levels_of("liquidation", share)


# ── the market of a fair market value ────────────────────────────────────────


def market(*sold: tuple[str, str], it: Instrument = FJELL, day: date = DAY) -> Any:
    rows = [
        Evidence(f"R{at}", kind, date(2025, 6, 1), Decimal(2000), "USD", channel, "", FJELL)
        for at, (kind, channel) in enumerate(sold)
    ]
    return market_of("fair_market_value", EvidenceSnapshot.of(rows), it, day)


def test_it_is_where_most_closed_sales_of_the_model_took_place() -> None:
    asked = [("asking", "dealer")] * 5
    found = market(("sale", "auction"), ("sale", "auction"), ("sale", "private"), *asked)
    assert found.channel == "auction" and "2 of 3 closed sales of this model" in found.reason


def test_sales_after_the_day_do_not_count() -> None:
    found = market(("sale", "auction"), day=date(2025, 5, 31))
    assert found.channel == "private" and "no closed sale" in found.reason


def test_a_model_without_sales_is_in_the_market_of_all() -> None:
    found = market(("sale", "online"), it=Instrument("Ostvik", "Dal"))
    assert found.channel == "online" and "1 of 1 closed sales in all" in found.reason


def test_no_evidence_at_all_is_said() -> None:
    assert "no closed sale" in market_of("fair_market_value", NO_EVIDENCE, FJELL, DAY).reason


def test_no_type_of_value_is_what_a_dealer_pays() -> None:
    text = VALUE_TYPES["fair_market_value"].definition
    assert "never the price at which a dealer buys" in text
    assert {kind.channel for kind in VALUE_TYPES.values()} == {None, "dealer", "auction"}


@pytest.mark.parametrize(
    ("adjustment", "by"),
    [
        ({"per_cent": "5"}, lambda value: value * Decimal("0.05")),
        ({"per_cent": "-12.5"}, lambda value: value * Decimal("-0.125")),
        ({"amount": "-100.25", "currency": "USD"}, lambda value: Decimal("-100.25")),
        ({"amount": "100", "currency": "EUR"}, lambda value: Decimal("110.00")),  # 1.1 that day (`fakes`)
    ],
)
def test_an_adjustment_is_added_to_the_cent(
    specialist: Caller, shared_app: Flask, adjustment: dict[str, Any], by: Any
) -> None:
    request_id, _ = requested(shared_app, adjustment=json.dumps({**adjustment, "reason": "its story"}))
    answer = issued(specialist, request_id, "auction_estimate")
    opinion = specialist.get(f"/v1/reports/{answer['id']}").json["opinion"]
    assert opinion["adjustment_reason"] == "its story" and len(opinion["figures"]) == 2
    for figure in opinion["figures"]:
        model = Decimal(figure["model"])
        wanted = (model + by(model)).quantize(Decimal("0.01"), ROUND_HALF_UP)
        assert Decimal(figure["concluded"]) == wanted
        assert model + Decimal(figure["adjustment"]) == wanted
