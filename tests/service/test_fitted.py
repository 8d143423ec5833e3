"""The service on a fitted model: the demo market over real HTTP, and the same by command, to the cent."""

from __future__ import annotations

import csv
import random
import subprocess
import sys
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import httpx
import pytest
from running import Running, resident

from models.domain.instrument import Instrument
from models.domain.vocabulary import FIELDS

ROWS, SAMPLE = 1_000, 60
DAY = "2026-01-02"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, demo_store: Path) -> Iterator[Running]:
    with Running(tmp_path_factory.mktemp("fitted"), demo_store, fake=False) as running:
        yield running


@pytest.fixture(scope="module")
def http(served: Running) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=served.url, headers=served.headers, timeout=60) as client:
        yield client


@pytest.fixture(scope="module")
def stock(demo_market: Path) -> list[dict[str, str]]:
    """Rows of the contract's form: the demo's later sales, again and again, each with some cells emptied."""
    with (demo_market / "holdout.csv").open(encoding="utf-8", newline="") as stream:
        sales = list(csv.DictReader(stream))
    chance = random.Random(7)
    keep = ("maker", "model")
    own = [field.flat for field in FIELDS]
    rows = []
    for number in range(ROWS):
        sale = sales[number % len(sales)]
        cells = {name: sale.get(name, "") if name in keep or chance.random() < 0.8 else "" for name in own}
        rows.append(
            {"id": f"R{number}", "date": DAY, "channel": chance.choice(("private", "dealer")), **cells}
        )
    return rows


@pytest.fixture(scope="module")
def by_command(
    stock: list[dict[str, str]], demo_store: Path, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, dict[str, str]]:
    """Value the stock by `python -m models value` and return its lines by id."""
    folder = tmp_path_factory.mktemp("stock")
    with (folder / "stock.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(stock[0]))
        writer.writeheader()
        writer.writerows(stock)
    words = [
        "value",
        str(folder / "stock.csv"),
        "--store",
        str(demo_store),
        "--out",
        str(folder / "values.csv"),
    ]
    done = subprocess.run(
        [sys.executable, "-m", "models", *words], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout) == (0, ""), done.stderr
    with (folder / "values.csv").open(encoding="utf-8", newline="") as stream:
        return {row["id"]: row for row in csv.DictReader(stream)}


def body_of(row: dict[str, str]) -> dict[str, Any]:
    return {
        "instrument": Instrument.from_flat(row).to_nested(),
        "date": row["date"],
        "channel": row["channel"],
    }


def test_the_command_and_the_service_give_the_same_figures(
    http: httpx.Client, stock: list[dict[str, str]], by_command: dict[str, dict[str, str]]
) -> None:
    assert list(by_command) == [row["id"] for row in stock]
    assert not any(row["error"] for row in by_command.values())
    for row in random.Random(8).sample(stock, SAMPLE):
        found, cells = http.post("/v1/attributions", json=body_of(row)).json(), by_command[row["id"]]
        assert found["value"] == cells["value"]
        assert found["reference"]["value"] == cells["reference_value"]
        for interval in found["intervals"]:
            name = f"{interval['level'] * 100:.10g}"
            assert (interval["low"], interval["high"]) == (cells[f"low_{name}"], cells[f"high_{name}"])
        assert found["evidence"]["word"] == cells["evidence"]
        assert list(dict.fromkeys(c["code"] for c in found["cautions"])) == cells["cautions"].split(";")


def test_amounts_add_up_and_ranges_nest(http: httpx.Client, stock: list[dict[str, str]]) -> None:
    for number, row in enumerate(stock[:SAMPLE]):
        currency = ("USD", "EUR", "JPY")[number % 3]
        made = http.post("/v1/valuations", json={**body_of(row), "currency": currency})
        body = made.json()
        assert made.status_code == 201, body
        value, reference = Decimal(body["value"]), Decimal(body["reference"]["value"])
        assert sum(Decimal(family["amount"]) for family in body["attributions"]) == value - reference
        lows = [Decimal(interval["low"]) for interval in body["intervals"]]
        highs = [Decimal(interval["high"]) for interval in body["intervals"]]
        assert lows == sorted(lows, reverse=True) and highs == sorted(highs)
        assert lows[0] <= value <= highs[0]
        assert http.get(made.headers["Location"]).content == made.content


def test_hiding_any_field_is_never_an_error(http: httpx.Client, stock: list[dict[str, str]]) -> None:
    fullest = max(stock, key=lambda row: sum(bool(cell) for cell in row.values()))
    for field in FIELDS:
        if field.flat not in ("maker", "model"):
            found = http.post("/v1/intervals", json=body_of({**fullest, field.flat: ""}))
            assert found.status_code == 200, (field.path, found.text)


def test_every_model_of_the_catalogue_is_valued_by_its_name_alone(http: httpx.Client) -> None:
    count = 0
    for maker in http.get("/v1/catalogue").json()["makers"]:
        for model in maker["models"]:
            bare = {"instrument": {"maker": maker["name"], "model": model["name"]}, "date": DAY}
            assert Decimal(http.post("/v1/intervals", json=bare).json()["value"]) > 0
            count += 1
    assert count >= 40


def test_a_worker_with_a_fitted_model_holds_at_most_150_megabytes(
    http: httpx.Client, served: Running
) -> None:
    assert http.get("/readyz").json()["checks"]["model"]["ok"]
    for worker in served.workers():
        assert resident(worker) < 150
