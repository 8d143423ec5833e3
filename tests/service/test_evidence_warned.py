"""Records that are hard to believe: taken with warnings, held out of a fit, and settled by a person."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import Caller, assert_problem
from fakes import CATALOGUE, RATES, write_fake
from flask import Flask
from records import SALE, ids, record
from sqlalchemy import text

from models.bundles.registry import Registry
from service.db.engine import open_engine
from service.db.migrate import downgrade, upgrade
from training.sources import read_source

# The fake expects exp(7.75) = 2,321.57 USD of the record's instrument at a dealer's: 1,857.26 EUR at 1.25.
CHEAP = "371"
LINES = "id,kind,date,price,currency,channel,maker,model\n"


def codes(found: Any) -> list[str]:
    return [one["code"] for one in found.json["warnings"]]


def fitted(caller: Caller) -> list[str]:
    """Return the ids of the records that a fit would use of it now."""
    return [e.id for e in read_source(parts(caller.app).settings.database, CATALOGUE, RATES).rows]


def confirm(caller: Caller, id: str, query: str = "", **headers: str) -> Any:
    return caller.ask("put", f"/v1/evidence/{id}/confirmation{query}", **headers)


def test_it_is_taken_with_a_warning_listed_and_held_out_of_a_fit(dealer: Caller) -> None:
    record(dealer)
    found = record(dealer, id="S-2", price=CHEAP)
    assert found.status_code == 201 and found.json["confirmed"] is None
    (warning,) = found.json["warnings"]
    assert set(warning) == {"code", "field", "message"}
    assert (warning["code"], warning["field"]) == ("price_low", "price")
    assert warning["message"].startswith("price: 371 EUR is at most a fifth of the 1,857.26 EUR")
    assert dealer.get("/v1/evidence/S-2").json == found.json
    assert ids(dealer, "?warned=true") == ["S-2"] and ids(dealer, "?warned=false") == ["S-1"]
    assert ids(dealer) == ["S-1", "S-2"]
    assert fitted(dealer) == ["S-1"]
    of_fit = read_source(parts(dealer.app).settings.database, CATALOGUE, RATES)
    assert of_fit.held == ("S-2",) and of_fit.confirmed == frozenset()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"date": "1950-01-01"}, ["date_before_made"]),
        ({"date": "2100-12-31", "currency": "USD"}, ["date_in_future"]),
        ({"price": "9287"}, ["price_high"]),
        ({"price": "9286"}, []),
        ({"price": "372", "kind": "offer"}, []),
        ({"price": "9287", "kind": "asking"}, ["price_high"]),
    ],
)
def test_each_reason_is_told(dealer: Caller, changes: dict[str, Any], said: list[str]) -> None:
    if "1950" in str(changes):  # no euro had a rate then
        changes = {**changes, "currency": "USD"}
    found = record(dealer, **changes)
    assert codes(found) == said
    assert ids(dealer, "?warned=true") == (["S-1"] if said else [])


def test_confirming_says_who_and_when_and_lets_a_fit_use_it(dealer: Caller) -> None:
    record(dealer, price=CHEAP)
    found = confirm(dealer, "S-1", "?reason=sold%20among%20friends")
    assert found.status_code == 200 and codes(found) == ["price_low"]
    assert found.json["confirmed"] == found.json["changed"] and found.json["version"] == 2
    changes = dealer.get("/v1/evidence/S-1/history").json["changes"]
    assert [(c["action"], c["reason"]) for c in changes] == [
        ("recorded", None),
        ("confirmed", "sold among friends"),
    ]
    assert changes[1]["at"] == found.json["confirmed"] and changes[1]["key"] == changes[0]["key"]
    assert changes[1]["record"]["price"] == CHEAP
    assert fitted(dealer) == ["S-1"] and ids(dealer, "?warned=true") == []
    assert confirm(dealer, "S-1").json == found.json  # once is enough
    assert read_source(parts(dealer.app).settings.database, CATALOGUE, RATES).confirmed == {"S-1"}


def test_a_record_without_warnings_is_answered_unchanged(dealer: Caller) -> None:
    kept = record(dealer).json
    assert confirm(dealer, "S-1").json == kept


def test_what_cannot_be_confirmed(dealer: Caller) -> None:
    assert_problem(confirm(dealer, "nobody"), 404, "record")
    record(dealer, price=CHEAP)
    assert_problem(confirm(dealer, "S-1", **{"If-Match": '"other"'}), 412, "precondition")
    assert_problem(confirm(caller_of(dealer.app), "S-1"), 403, "scope")
    tag = dealer.get("/v1/evidence/S-1").headers["ETag"]
    assert confirm(dealer, "S-1", **{"If-Match": tag}).json["confirmed"] is not None
    dealer.ask("delete", "/v1/evidence/S-1")
    assert_problem(confirm(dealer, "S-1"), 410, "withdrawn")
    assert_problem(record(dealer, id="S/confirmation"), 422, "fields")


def test_a_correction_takes_the_warning_away_or_asks_again(dealer: Caller) -> None:
    record(dealer, price=CHEAP)
    confirm(dealer, "S-1")
    same = dealer.ask("put", "/v1/evidence/S-1", {**SALE, "price": CHEAP})
    assert same.json["confirmed"] is not None and fitted(dealer) == ["S-1"]
    other = dealer.ask("put", "/v1/evidence/S-1", {**SALE, "price": "370"})
    assert codes(other) == ["price_low"] and other.json["confirmed"] is None and fitted(dealer) == []
    right = dealer.ask("put", "/v1/evidence/S-1", {**SALE, "price": "3710"})
    assert codes(right) == [] and fitted(dealer) == ["S-1"] and ids(dealer, "?warned=true") == []


def test_the_list_of_warned_records_has_pages(dealer: Caller) -> None:
    for number in range(5):
        record(dealer, id=f"S-{number}", price=CHEAP if number % 2 else "1800")
    page = dealer.get("/v1/evidence?warned=true&limit=1")
    assert [one["id"] for one in page.json["evidence"]] == ["S-1"]
    path = page.headers["Link"].partition(">")[0].removeprefix("<")
    assert "warned=true" in path and [e["id"] for e in dealer.get(path).json["evidence"]] == ["S-3"]
    assert_problem(dealer.get("/v1/evidence?warned=maybe"), 422, "fields")


def test_a_file_tells_which_rows_are_hard_to_believe(dealer: Caller) -> None:
    rows = (
        "F-1,sale,2025-06-01,2000,USD,dealer,Ostvik,Dal\n"
        "F-2,sale,2025-06-01,20,USD,dealer,Ostvik,Dal\n"
        "F-3,rumour,2025-06-01,20,USD,dealer,Ostvik,Dal\n"
        "F-4,asking,2099-06-01,200000,USD,dealer,Ostvik,Dal\n"
    )
    found = dealer.post("/v1/evidence", LINES + rows, **{"Content-Type": "text/csv"}).json
    assert (found["accepted"], found["refused"], found["warned"]) == (3, 1, 2)
    assert [(w["line"], w["id"], w["code"], w["field"]) for w in found["warnings"]] == [
        (3, "F-2", "price_low", "price"),
        (5, "F-4", "date_in_future", "date"),
        (5, "F-4", "price_high", "price"),
    ]
    assert found["warnings_left_out"] == 0
    assert ids(dealer, "?warned=true") == ["F-2", "F-4"] and fitted(dealer) == ["F-1"]
    again = dealer.post("/v1/evidence", LINES + rows, **{"Content-Type": "text/csv"}).json
    assert (again["duplicates"], again["warned"], again["warnings"]) == (3, 0, [])


def test_strict_takes_what_is_hard_to_believe(dealer: Caller) -> None:
    row = LINES + "F-2,sale,2025-06-01,20,USD,dealer,Ostvik,Dal\n"
    found = dealer.post("/v1/evidence?strict=true", row, **{"Content-Type": "text/csv"})
    assert (found.json["accepted"], found.json["warned"]) == (1, 1)


def test_a_day_that_has_not_come_is_left_out_of_a_fit_even_when_confirmed(dealer: Caller) -> None:
    record(dealer, date="2099-01-01")
    confirm(dealer, "S-1")
    found = read_source(parts(dealer.app).settings.database, CATALOGUE, RATES)
    assert found.rows == () and "is in the future" in str(found.refused[0])


# ── outcomes ─────────────────────────────────────────────────────────────────


@pytest.fixture
def appraiser(evidence_app: Flask) -> Caller:
    return caller_of(evidence_app, "valuations", "evidence")


def sold(caller: Caller, **changes: str) -> Any:
    """The outcome of a valuation of 2 January 2026 that says 2,980.96 USD, 50% to 95% ranges around it."""
    valuation = caller.value({}).json["id"]
    said = {"date": date.today().isoformat(), "price": "2900", **changes}
    return caller.ask("put", f"/v1/valuations/{valuation}/outcome", said)


def test_an_outcome_of_a_cent_and_one_of_long_ago_are_warned_of_and_do_not_count(appraiser: Caller) -> None:
    assert codes(sold(appraiser)) == []
    cent = sold(appraiser, price="0.01")
    assert cent.status_code == 201 and codes(cent) == ["price_low", "outcome_far_from_range"]
    ago = sold(appraiser, date="2001-01-01")
    assert codes(ago) == ["outcome_before_value"]
    assert ids(appraiser, "?warned=true") == [cent.json["evidence"], ago.json["evidence"]]
    assert fitted(appraiser) == [ids(appraiser)[0]]
    assert appraiser.get(f"/v1/evidence/{cent.json['evidence']}").json["warnings"] == cent.json["warnings"]


def test_a_record_that_is_named_as_the_outcome_is_held_against_the_valuation(appraiser: Caller) -> None:
    valuation = appraiser.value({}).json["id"]
    today = date.today().isoformat()
    record(appraiser, id="S-1", date=today, currency="USD", price="2900")
    record(appraiser, id="S-2", date=today, currency="USD", price="100")
    record(appraiser, id="S-3", date="2025-01-01", currency="USD", price="2900")
    confirm(appraiser, "S-2")  # it was cheap, and right all the same; that it is the outcome is news
    assert ids(appraiser, "?warned=true") == []
    path = f"/v1/valuations/{valuation}/outcome/evidence"
    said, far = {}, "outcome_far_from_range"
    for id in ("S-1", "S-2", "S-3"):
        said[id] = codes(appraiser.ask("put", path, {"evidence": id}))
    assert said == {"S-1": [], "S-2": ["price_low", far], "S-3": ["outcome_before_value"]}
    assert ids(appraiser, "?warned=true") == ["S-2", "S-3"] and fitted(appraiser) == ["S-1"]
    last = appraiser.get("/v1/evidence/S-2/history").json["changes"][-1]
    assert (last["action"], last["reason"]) == ("warned", f"outcome of a valuation {valuation}")
    # Confirmed, it can be named again without a word more.
    confirm(appraiser, "S-2")
    again = appraiser.ask("put", path, {"evidence": "S-2"}).json
    assert again["confirmed"] is not None and [one["code"] for one in again["warnings"]] == said["S-2"]


def test_the_study_leaves_it_out_and_says_so_until_it_is_confirmed(appraiser: Caller) -> None:
    found = sold(appraiser, price="0.01")
    study = appraiser.get("/v1/performance").json
    reason = "a warning on the sale is neither confirmed nor corrected"
    assert (study["judged"], study["left_out"]) == (0, [{"reason": reason, "valuations": 1}])
    confirm(appraiser, found.json["evidence"])
    study = appraiser.get("/v1/performance").json
    assert (study["judged"], study["left_out"]) == (1, [])
    shown = appraiser.get(f"/v1/valuations/{found.json['valuation']}/outcome").json
    assert shown["confirmed"] is not None and shown["warnings"] == found.json["warnings"]


# ── the database ─────────────────────────────────────────────────────────────


@pytest.fixture
def older(backend: str, new_database: NewDatabase, tmp_path: Path) -> Iterator[Flask]:
    store = tmp_path / "store"
    Registry(store).promote(write_fake(store), who="tests", why="to serve")
    app = make_app(store, new_database(backend))
    yield app
    parts(app).engine.dispose()


def test_records_of_before_have_no_warnings_and_the_way_back_keeps_them(older: Flask) -> None:
    record(caller_of(older, "evidence"), price=CHEAP)
    engine = open_engine(parts(older).settings.database)
    downgrade(engine, "0004")
    with engine.connect() as connection:
        row = connection.execute(text("SELECT * FROM evidence")).one()._asdict()
    assert row["id"] == "S-1" and not {"warnings", "confirmed"} & set(row)
    upgrade(engine)
    engine.dispose()
    kept = caller_of(older, "evidence").get("/v1/evidence/S-1").json
    assert kept["warnings"] == [] and kept["confirmed"] is None and kept["price"] == CHEAP
