"""The study of the service's own past valuations: figures counted by hand, and which sales judge."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest
from apps import caller_of, parts
from asking import Caller, assert_problem
from flask import Flask
from sqlalchemy import update

from models.study.ratio import STATISTICS
from service.api.performance import services
from service.api.performance.services import CAUTIONS
from service.db.engine import writing
from service.db.tables import VALUATIONS

LONG_AGO = date(2024, 5, 1)


@pytest.fixture
def appraiser(evidence_app: Flask) -> Caller:
    """May value, record outcomes and ask how good the values were, of a service without any."""
    return caller_of(evidence_app, "valuations", "evidence")


def value(caller: Caller, made: date = LONG_AGO, currency: str = "USD", **more: Any) -> dict[str, Any]:
    """A valuation that was made on this day, and is of it."""
    more = {"date": made.isoformat(), **more}
    found: dict[str, Any] = caller.value(more.pop("instrument", {}), currency=currency, **more).json
    moment = datetime(made.year, made.month, made.day, 12, tzinfo=UTC)
    with writing(parts(caller.app).engine) as connection:
        row = update(VALUATIONS).where(VALUATIONS.c.id == found["id"]).values(created=moment)
        connection.execute(row)
    return found


def sell(caller: Caller, valued: dict[str, Any], price: str, day: str = "2025-01-01", **more: str) -> str:
    said = {"date": day, "price": price, **more}
    found = caller.ask("put", f"/v1/valuations/{valued['id']}/outcome", said)
    assert found.status_code == 201, found.text
    return str(found.json["evidence"])


def at_ratio(valued: dict[str, Any], ratio: str) -> str:
    """The price of which the value is this many times, to the cent."""
    return str(round(Decimal(valued["value"]) / Decimal(ratio), 2))


def study(caller: Caller, query: str = "") -> dict[str, Any]:
    found = caller.get(f"/v1/performance{query}")
    assert found.status_code == 200, found.text
    assert found.json["cautions"] == list(CAUTIONS)
    body: dict[str, Any] = found.json
    return body


def test_without_sales_there_are_no_figures_and_no_error(appraiser: Caller) -> None:
    value(appraiser)
    found = study(appraiser)
    assert found["judged"] == 0 and found["groups"] == [] and found["first"] is found["last"] is None
    assert found["overall"] == {"sales": 0, **dict.fromkeys(STATISTICS), "ranges": []}
    assert found["sentence"].startswith("No sale of a valued instrument is recorded for this period")


@pytest.mark.parametrize(("count", "says"), [(1, "1 sale is too few"), (4, "4 sales are too few")])
def test_few_sales_are_counted_and_judge_nothing(appraiser: Caller, count: int, says: str) -> None:
    for _ in range(count):
        sell(appraiser, value(appraiser), "2000")
    found = study(appraiser)
    assert found["judged"] == found["overall"]["sales"] == count
    assert {found["overall"][name] for name in STATISTICS} == {None}
    assert found["sentence"] == f"{says} to judge by: figures are given from 5 sales on."


RATIOS = ("0.8", "0.9", "1.0", "1.1", "1.3")


def test_figures_are_those_that_are_counted_by_hand(appraiser: Caller) -> None:
    values, prices = Decimal(0), Decimal(0)
    for number, ratio in enumerate(RATIOS):
        valued = value(appraiser, instrument={"condition": {"neck": number}})
        price = at_ratio(valued, ratio)
        sell(appraiser, valued, price)
        values, prices = values + Decimal(valued["value"]), prices + Decimal(price)
    found = study(appraiser)
    overall = found["overall"]
    figures = {name: overall[name]["value"] for name in STATISTICS}
    # By their definitions: the middle ratio; departures of .2, .1, 0, .1 and .3 from it; their mean, 1.02.
    assert figures["median_ratio"] == pytest.approx(1, abs=1e-4)
    assert figures["cod"] == pytest.approx(14, abs=1e-2)
    assert figures["median_error"] == pytest.approx(10, abs=1e-2)
    assert figures["mean_ratio"] == pytest.approx(1.02, abs=1e-4)
    assert figures["prd"] == pytest.approx(1.02 / float(values / prices), abs=1e-4)
    for name in STATISTICS:
        assert overall[name]["low"] <= overall[name]["value"] <= overall[name]["high"]
    assert overall["median_ratio"]["low"] < 0.95 < 1.05 < overall["median_ratio"]["high"]
    assert (found["first"], found["last"], found["judged"]) == ("2025-01-01", "2025-01-01", 5)
    assert (
        found["sentence"]
        == "Of 5 values, half were within 10.0% of the price paid; the middle one was at it."
    )


def test_ranges_are_judged_by_the_prices_inside_them_and_by_their_width(appraiser: Caller) -> None:
    scores: dict[float, list[float]] = {}
    for ratio in (
        "1",
        "1",
        "1",
        "2",
        "4",
    ):  # the fake's range of 50% reaches to 1.74 times, that of 95% to 2.9
        valued = value(appraiser)
        sell(appraiser, valued, at_ratio(valued, ratio))
        for entry in valued["intervals"]:
            low, high = math.log(float(entry["low"])), math.log(float(entry["high"]))
            miss = max(low - math.log(float(at_ratio(valued, ratio))), 0)
            scores.setdefault(entry["level"], []).append(high - low + 2 / (1 - entry["level"]) * miss)
    ranges = study(appraiser)["overall"]["ranges"]
    assert {r["level"]: (r["sales"], r["inside"]) for r in ranges} == {
        0.5: (5, 0.6),
        0.8: (5, 0.8),
        0.9: (5, 0.8),
        0.95: (5, 0.8),
    }
    for entry in ranges:
        assert entry["interval_score"] == pytest.approx(sum(scores[entry["level"]]) / 5, abs=1e-3)


def test_the_sentence_says_on_which_side(appraiser: Caller) -> None:
    for _ in range(5):
        valued = value(appraiser)
        sell(appraiser, valued, at_ratio(valued, "1.25"))
    assert study(appraiser)["sentence"].endswith("the middle one was 25.0% above it.")


def test_groups_hold_every_sale_once_and_small_ones_no_figures(appraiser: Caller) -> None:
    for number in range(7):
        channel = "dealer" if number < 2 else "online"
        valued = value(appraiser, instrument={"condition": {"neck": number % 4}})
        sell(appraiser, valued, at_ratio(valued, RATIOS[number % 5]), channel=channel)
    found = study(appraiser)
    by_grouping: dict[str, int] = {}
    for group in found["groups"]:
        by_grouping[group["grouping"]] = by_grouping.get(group["grouping"], 0) + group["sales"]
        assert (group["median_ratio"] is None) == (group["sales"] < 5)
    names = {"price", "channel", "build", "edition", "unknown", "evidence"}
    assert by_grouping == dict.fromkeys(names, 7)
    channels = {g["group"]: g["sales"] for g in found["groups"] if g["grouping"] == "channel"}
    assert channels == {"dealer": 2, "online": 5}


def test_the_period_is_that_of_the_sales(appraiser: Caller) -> None:
    for day in ("2025-01-01", "2025-02-01", "2025-03-01"):
        sell(appraiser, value(appraiser), "2000", day)
    asked = {"": 3, "?from=2025-02-01": 2, "?to=2025-02-01": 2, "?from=2025-01-02&to=2025-02-28": 1}
    assert {query: study(appraiser, query)["judged"] for query in asked} == asked
    found = study(appraiser, "?from=2025-01-02&to=2025-02-28")
    assert [found[name] for name in ("from", "to", "first", "last")] == [
        "2025-01-02",
        "2025-02-28",
        "2025-02-01",
        "2025-02-01",
    ]
    assert_problem(appraiser.get("/v1/performance?from=spring"), 422, "fields")


def test_a_valuation_made_after_the_sale_judges_nothing(appraiser: Caller) -> None:
    sell(appraiser, value(appraiser, date(2025, 1, 3)), "2000", "2025-01-01")
    sell(appraiser, value(appraiser, date(2025, 1, 2)), "2000", "2025-01-01")  # a day is one of some place
    found = study(appraiser)
    reason = "the sale was before the valuation, which may have known of it"
    assert found["judged"] == 1 and found["left_out"] == [{"reason": reason, "valuations": 1}]
    left_out = "Valuations whose sale is recorded but cannot be judged: 1; left_out says why."
    assert found["sentence"].startswith("1 sale is too few") and found["sentence"].endswith(left_out)


def test_sales_that_cannot_be_judged_are_not_called_unrecorded(appraiser: Caller) -> None:
    for _ in range(3):
        sell(appraiser, value(appraiser, date(2025, 1, 3)), "2000", "2025-01-01")
    found = study(appraiser)
    assert found["judged"] == 0 and found["left_out"][0]["valuations"] == 3
    left_out = "Valuations whose sale is recorded but cannot be judged: 3; left_out says why."
    assert found["sentence"] == f"Nothing can be judged yet. {left_out}"


def test_of_several_valuations_of_one_sale_the_last_judges(appraiser: Caller) -> None:
    for _ in range(4):
        valued = value(appraiser)
        sell(appraiser, valued, at_ratio(valued, "1"))
    late = value(appraiser, date(2024, 9, 1), instrument={"condition": {"neck": 1}})
    record_id = sell(appraiser, late, at_ratio(late, "1"))
    early = value(appraiser, date(2024, 6, 1), instrument={"condition": {"neck": 5}})
    path = f"/v1/valuations/{early['id']}/outcome/evidence"
    assert appraiser.ask("put", path, {"evidence": record_id}).status_code == 201
    found = study(appraiser)
    assert found["judged"] == 5 and found["left_out"][0]["valuations"] == 1
    assert found["overall"]["mean_ratio"]["value"] == pytest.approx(1, abs=1e-4)


def test_a_record_that_is_withdrawn_or_no_sale_any_more_judges_nothing(appraiser: Caller) -> None:
    one, two, three = (sell(appraiser, value(appraiser), "2000") for _ in range(3))
    appraiser.ask("delete", f"/v1/evidence/{one}")
    kept = appraiser.get(f"/v1/evidence/{two}").json
    own = {n: kept[n] for n in ("date", "price", "currency", "channel", "instrument")}
    appraiser.ask("put", f"/v1/evidence/{two}", {**own, "kind": "asking"})
    assert study(appraiser)["judged"] == 1
    appraiser.ask("put", f"/v1/evidence/{three}", {**own, "kind": "sale", "date": "2024-01-01"})
    assert study(appraiser)["judged"] == 0


def test_a_value_and_a_price_in_one_currency_are_compared_as_they_stand(appraiser: Caller) -> None:
    """A yen was worth .008 dollars on the day of the sale and .0065 on that of the value: neither matters."""
    for _ in range(5):
        valued = value(appraiser, currency="JPY")
        assert valued["currency"] == "JPY"
        sell(appraiser, valued, str(round(Decimal(valued["value"]) / 2)), currency="JPY")
    assert study(appraiser)["overall"]["median_ratio"]["value"] == pytest.approx(2, abs=1e-4)


def test_other_currencies_are_converted_on_the_day_of_the_sale(appraiser: Caller) -> None:
    for _ in range(5):
        valued = value(appraiser)
        sell(appraiser, valued, str(round(Decimal(valued["value"]) / Decimal("1.25"), 2)), currency="EUR")
    # A euro was 1.25 dollars from 2020 to the end of 2025 (`fakes.RATES`).
    assert study(appraiser)["overall"]["median_ratio"]["value"] == pytest.approx(1, abs=1e-4)


def test_a_level_is_judged_by_the_valuations_that_gave_it(appraiser: Caller) -> None:
    for number in range(5):
        valued = value(appraiser, levels=[0.8, 0.77] if number < 2 else [0.95])
        sell(appraiser, valued, at_ratio(valued, "1"))
    ranges = study(appraiser)["overall"]["ranges"]
    assert [(r["level"], r["sales"], r["inside"]) for r in ranges] == [(0.8, 2, 1.0), (0.95, 3, 1.0)]


def test_a_study_is_made_again_when_what_it_judges_changes_and_only_then(
    appraiser: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    made, judge = [], services.records.sold
    monkeypatch.setattr(services.records, "sold", lambda *asked: made.append(asked) or judge(*asked))
    one, two = (value(appraiser) for _ in range(2))

    def asked(judged: int, studies: int) -> None:
        for _ in range(2):
            assert study(appraiser)["judged"] == judged
        assert len(made) == studies

    asked(0, 1)
    record_id = sell(appraiser, one, "2000")
    asked(1, 2)
    sell(appraiser, two, "2000")
    asked(2, 3)
    appraiser.ask("put", f"/v1/valuations/{two['id']}/outcome", {"date": "2024-01-01", "price": "2000"})
    asked(1, 4)  # it was before the valuation
    appraiser.ask("put", f"/v1/valuations/{two['id']}/outcome/evidence", {"evidence": record_id})
    asked(1, 5)
    appraiser.ask("delete", f"/v1/valuations/{two['id']}/outcome")
    asked(1, 5)  # all is as it was after the first sale
    appraiser.ask("delete", f"/v1/evidence/{record_id}")
    asked(0, 6)
    study(appraiser, "?from=2025-01-01")
    assert len(made) == 7


def test_it_needs_the_scope_of_evidence(appraiser: Caller) -> None:
    assert_problem(caller_of(appraiser.app, "valuations").get("/v1/performance"), 403, "scope")
