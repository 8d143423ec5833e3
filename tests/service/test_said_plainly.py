"""The service gives useful answers: it names limits, lists live currencies, and opens what a key needs."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import DAL, Caller, assert_problem, faults_of
from flask import Flask

from models.domain.money import Rates

DAYS = np.array([date(2010, 1, 1).toordinal(), date(2026, 1, 2).toordinal()])


def test_a_body_that_is_too_large_is_told_the_limit(caller: Caller) -> None:
    long = {**DAL, "levels": [0.8] * 200_000}
    detail = assert_problem(caller.post("/v1/intervals", long), 413, "too-large")["detail"]
    limit = parts(caller.app).settings.body_limit
    assert limit == 256 * 1024
    assert detail == "A body can have 262,144 bytes here, counted unpacked. Send less at once."


def test_a_list_that_is_too_large_is_told_its_own_limit(
    fake_store: Path, new_database: NewDatabase, request: pytest.FixtureRequest
) -> None:
    app = make_app(fake_store, new_database("sqlite"), list_limit=1000)
    request.addfinalizer(parts(app).engine.dispose)
    found = caller_of(app).post("/v1/stocklists", "id,maker,model\n" * 100, **{"Content-Type": "text/csv"})
    assert "1,000 bytes" in assert_problem(found, 413, "too-large")["detail"]


def test_rates_know_which_currencies_have_ended() -> None:
    rates = Rates(DAYS, {"EUR": np.array([1.4, 1.1]), "EEK": np.array([0.1, np.nan])})
    assert rates.quoted_on(date(2026, 5, 1)) == ("USD", "EUR")
    assert rates.quoted_on(date(2015, 5, 1)) == ("USD", "EEK", "EUR")
    assert rates.quoted_on(date(2009, 5, 1)) == ("USD",)


@pytest.fixture
def of_dead_money(own_app: Flask, monkeypatch: pytest.MonkeyPatch) -> Caller:
    """Asks a service whose rates have a currency that ended."""
    rates = Rates(DAYS, {"EUR": np.array([1.4, 1.1]), "EEK": np.array([0.1, np.nan])})
    monkeypatch.setitem(vars(parts(own_app).live.bundle().valuer), "rates", rates)
    return caller_of(own_app)


def test_the_vocabulary_lists_the_currencies_that_work_today(of_dead_money: Caller) -> None:
    assert of_dead_money.get("/v1/vocabulary").json["currencies"] == ["USD", "EUR"]
    for currency in ("USD", "EUR"):
        assert of_dead_money.post("/v1/intervals", {**DAL, "currency": currency}).status_code == 200
    for asked in ({"currency": "EEK"}, {"currency": "EEX"}):
        (fault,) = faults_of(of_dead_money.post("/v1/intervals", {**DAL, **asked})).values()
        assert fault["allowed"] == "USD, EUR"
    old = {**DAL, "currency": "EEK", "date": "2012-01-02"}
    assert of_dead_money.post("/v1/intervals", old).status_code == 200


@pytest.mark.parametrize("path", ["/v1/vocabulary", "/v1/catalogue", "/v1/catalogue/makers/Ostvik/models"])
def test_whoever_sends_evidence_may_read_the_words_and_names_that_it_needs(
    shared_app: Flask, path: str
) -> None:
    assert caller_of(shared_app, "evidence").get(path).status_code == 200
    for scope in ("metrics", "inventory"):
        assert_problem(caller_of(shared_app, scope).get(path), 403, "scope")


def test_the_other_word_for_a_period_is_understood(dealer: Caller) -> None:
    found = dealer.get("/v1/evidence?since=2020-01-01&colour=red&unitl=2021-01-01&chanel=dealer")
    steps = {fault["field"]: fault["next_step"] for fault in found.json["errors"]}
    assert steps == {
        "since": "did you mean from?",
        "colour": "leave it out",
        "unitl": "leave it out",
        "chanel": "did you mean channel?",
    }


@pytest.mark.parametrize(
    ("scope", "path", "query", "meant"),
    [
        ("requests", "/v1/requests", "from", "since"),
        ("inventory", "/v1/items/changes", "since", "after"),
        ("evidence", "/v1/performance", "before", "to"),
    ],
)
def test_each_address_knows_the_words_of_the_others_for_a_period(
    shared_app: Flask, scope: str, path: str, query: str, meant: str
) -> None:
    found = caller_of(shared_app, scope).get(f"{path}?{query}=2020-01-01")
    assert [fault["next_step"] for fault in found.json["errors"]] == [f"did you mean {meant}?"]


def test_no_number_is_shown_with_an_exponent(caller: Caller) -> None:
    page = caller.get("/docs").text
    assert "1 to 10000000" in page and not re.search(r"\de[+-]\d", page)
