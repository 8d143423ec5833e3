"""The client and lists: rows in batches, tables, answers that break off."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from datetime import date

import httpx
import pytest
from apps import parts
from clients import client_of, scripted, waits
from fakes import CATALOGUE, RATES, FakePriceModel
from flask import Flask
from stock import ROWS, as_csv

from models.tables.stocklist import Terms, value_stocklist
from models.valuation.valuer import Valuer
from service.client import ChangedError, Client, UnreachableError
from service.context import today

pytestmark = pytest.mark.usefixtures(waits.__name__)


def test_rows_are_valued_in_batches_and_in_order(own_app: Flask) -> None:
    bad = {"id": "bad", "instrument": {"maker": "Ostvik", "model": "Dahl"}}
    rows = [*ROWS, bad, *ROWS]
    client = client_of(own_app)
    found = list(client.value_all(iter(rows), batch=4, currency="EUR", levels=[0.8], date=date(2026, 1, 2)))
    assert [row["id"] for row in found] == [row["id"] for row in rows]
    assert [row["line"] for row in found] == list(range(1, 10))
    assert [row["line"] for row in found if "errors" in row] == [5]
    alone = client.attributions(ROWS[0]["instrument"], currency="EUR", levels=[0.8], date="2026-01-02")
    assert (found[0]["value"], found[0]["intervals"]) == (alone["value"], alone["intervals"])


def test_a_table_is_valued_as_the_command_of_the_models_values_it(own_app: Flask) -> None:
    text = as_csv(ROWS).replace("id,date", "id,shelf,date").replace("\n", "\n")
    rows = [line.split(",", 1) for line in text.splitlines()[1:]]
    text = "\n".join([text.splitlines()[0], *(f"{name},S,{rest}" for name, rest in rows)]) + "\n"
    answer = client_of(own_app).value_csv(io.BytesIO(text.encode()), levels=(0.5, 0.8))
    lines = list(answer)
    out = io.StringIO()
    valuer = Valuer(FakePriceModel(), CATALOGUE, RATES, "v")
    value_stocklist(io.BytesIO(text.encode()), out, valuer, Terms(today(), levels=(0.5, 0.8)))
    assert lines == out.getvalue().splitlines() and len(lines) == 5
    assert answer.ignored == ("shelf",) and answer.model_version == parts(own_app).live.version


class Breaking(httpx.SyncByteStream):
    """A body that breaks off after so many bytes."""

    def __init__(self, body: bytes, after: int | None) -> None:
        self._body, self._after = body, after

    def __iter__(self) -> Iterator[bytes]:
        if self._after is None:
            yield self._body
            return
        yield self._body[: self._after]
        raise httpx.RemoteProtocolError("peer closed connection")


VALUES = b"id,value\nA,1.00\nB,2.00\nC,3.00\n"


def breaking(after: list[int | None], versions: list[str] | None = None) -> tuple[Client, list[bytes]]:
    sent: list[bytes] = []

    def handle(request: httpx.Request) -> httpx.Response:
        number = len(sent)
        sent.append(request.read())
        version = (versions or ["v1"] * len(after))[number]
        return httpx.Response(200, stream=Breaking(VALUES, after[number]), headers={"Model-Version": version})

    return Client("http://values.test", "bm_key", transport=httpx.MockTransport(handle)), sent


def test_a_list_that_breaks_off_goes_on_where_it_was() -> None:
    client, sent = breaking([0, 12, 20, 20, None])
    lines = list(client.value_csv(io.BytesIO(b"id,maker,model\n...")))
    assert lines == VALUES.decode().splitlines()
    assert len(sent) == 5 and set(sent) == {b"id,maker,model\n..."}


def test_another_model_after_a_break_is_not_mixed_in() -> None:
    client, _ = breaking([0, 12, None], ["v1", "v2", "v3"])
    lines = iter(client.value_csv(io.BytesIO(b"x")))
    assert next(lines) == "id,value"
    with pytest.raises(ChangedError, match="v2 to v3"):
        list(lines)


def test_a_list_that_breaks_off_for_ever_is_given_up() -> None:
    client, sent = breaking([12] * 9)
    with pytest.raises(UnreachableError):
        list(client.value_csv(io.BytesIO(b"x")))
    assert len(sent) == 5


def test_rows_that_are_not_all_answered_are_an_error() -> None:
    answer = httpx.Response(200, content=json.dumps({"line": 1, "id": "A"}) + "\n")
    client, _ = scripted(answer)
    with pytest.raises(UnreachableError, match="4 rows were sent and 1 answered"):
        list(client.value_all(ROWS))


def test_a_line_ends_where_a_line_feed_stands_and_nowhere_else() -> None:
    row = {"line": 1, "id": "A", "more": "a\u2028b\x85c\rd"}
    client, _ = scripted(httpx.Response(200, content=json.dumps(row, ensure_ascii=False) + "\n"))
    assert list(client.value_all(ROWS[:1])) == [row]
