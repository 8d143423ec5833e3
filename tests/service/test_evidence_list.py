"""The list of evidence: narrowed, and page by page."""

from __future__ import annotations

import pytest
from asking import Caller, assert_problem
from records import ids, record

WRONG = [
    *("kind=x", "channel=", "from=today", "to=2025-02-30", "withdrawn=maybe", "limit=0", "limit=501"),
    *(
        "limit=x",
        "cursor=1",
        "cursor=after-",
        f"cursor=after-{'9' * 20}",
        "colour=red",
        "kind=sale&kind=offer",
    ),
]


@pytest.fixture
def stocked(dealer: Caller) -> Caller:
    """Five records that differ in one thing each."""
    record(dealer, id="E-1")
    record(dealer, id="E-2", kind="asking", channel="auction")
    record(dealer, id="E-3", instrument={"maker": "Séraphine & Fils", "model": "Étoile"})
    record(dealer, id="E-4", date="2024-02-03", instrument={"maker": "Ostvik", "model": "Fjell 2"})
    record(dealer, id="E-5", kind="offer", date="2025-12-31")
    return dealer


@pytest.mark.parametrize(
    ("query", "wanted"),
    [
        ("", "12345"),
        ("kind=sale", "134"),
        ("kind=ASKING", "2"),
        ("channel=auction", "2"),
        ("maker=ostvik", "1245"),
        ("maker=seraphine%20%26%20fils", "3"),
        ("model=ETOILE", "3"),
        ("model=dal", "125"),
        ("maker=Ostvik&model=Fjell%202", "4"),
        ("from=2025-06-01", "1235"),
        ("to=2025-06-01", "1234"),
        ("from=2025-06-01&to=2025-06-01&kind=sale", "13"),
        ("from=2026-01-01&to=2025-01-01", ""),
        ("withdrawn=true", ""),
        ("withdrawn=any&kind=offer", "5"),
    ],
)
def test_the_list_is_narrowed(stocked: Caller, query: str, wanted: str) -> None:
    assert ids(stocked, f"?{query}") == [f"E-{n}" for n in wanted]


def test_an_unknown_name_names_the_nearest(stocked: Caller) -> None:
    for query, near in (
        ("maker=Ostwik", "Ostvik"),
        ("model=Fjel", "Fjell 2"),
        ("maker=Ostvik&model=Dall", "Dal"),
    ):
        (fault,) = assert_problem(stocked.get(f"/v1/evidence?{query}"), 422, "fields")["errors"]
        assert fault["suggestions"][0] == near and fault["pointer"] is None


@pytest.mark.parametrize("query", WRONG)
def test_a_query_that_cannot_be(dealer: Caller, query: str) -> None:
    (fault,) = assert_problem(dealer.get(f"/v1/evidence?{query}"), 422, "fields")["errors"]
    assert fault["field"] == query.partition("=")[0]


def test_pages_hold_every_record_once_and_the_last_leads_nowhere(stocked: Caller) -> None:
    path, found = "/v1/evidence?maker=Ostvik&limit=2", []
    while path:
        answer = stocked.get(path)
        found.append([entry["id"] for entry in answer.json["evidence"]])
        link = answer.headers.get("Link", "")
        path = link.removeprefix("<").removesuffix('>; rel="next"')
        assert not link or (path.startswith("/v1/evidence?") and "maker=Ostvik" in path)
    assert found == [["E-1", "E-2"], ["E-4", "E-5"]]


def test_a_page_is_not_moved_by_what_is_changed_meanwhile(stocked: Caller) -> None:
    first = stocked.get("/v1/evidence?limit=2")
    stocked.ask("delete", "/v1/evidence/E-1")
    record(stocked, id="E-6")
    path = first.headers["Link"].partition(">")[0][1:]
    assert [entry["id"] for entry in stocked.get(path).json["evidence"]] == ["E-3", "E-4"]
    assert ids(stocked) == ["E-2", "E-3", "E-4", "E-5", "E-6"]
