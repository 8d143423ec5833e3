"""Ten thousand rows by command are what one request each says over HTTP, to the cent."""

from __future__ import annotations

import csv
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from running import Running

from models.domain.instrument import Instrument
from models.domain.vocabulary import CHANNEL_NAMES, FIELDS, Kind

ROWS, SAMPLE = 10_000, 100
OWN = tuple(field.flat for field in FIELDS)
Row = dict[str, str]


@pytest.fixture(scope="module")
def stock(demo_market: Path) -> list[Row]:
    """The demo's stock list and later sales, again and again, each time with three cells changed."""
    known: list[Row] = []
    for name in ("instruments.csv", "holdout.csv"):
        with (demo_market / name).open(encoding="utf-8", newline="") as stream:
            known += csv.DictReader(stream)
    rng = random.Random(11)
    return [_changed(f"N{number}", known[number % len(known)], rng) for number in range(ROWS)]


def _changed(name: str, row: Row, rng: random.Random) -> Row:
    cells = {flat: row[flat] for flat in OWN}
    free = [f for f in FIELDS if f.kind is not Kind.TEXT and f.flat != "year"]
    for field in rng.sample(free, 3):
        if field.kind is Kind.TERM:
            cells[field.flat] = rng.choice((*field.names, ""))
        elif field.kind is Kind.FLAG:
            cells[field.flat] = rng.choice(("true", "false", ""))
        elif field.kind is Kind.GRADE:
            cells[field.flat] = rng.choice(("0", "1", "2.5", "4", "5", ""))
        else:
            cells[field.flat] = rng.choice(("3", "4", "5", ""))
    day = f"2026-0{rng.randint(1, 6)}-{rng.randint(10, 28)}"
    return {"id": name, "date": day, "channel": rng.choice(CHANNEL_NAMES), **cells}


@pytest.fixture(scope="module")
def by_command(
    stock: list[Row], demo_store: Path, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, Row]:
    folder = tmp_path_factory.mktemp("ten_thousand")
    asked, told = folder / "stock.csv", folder / "values.csv"
    with asked.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(stock[0]))
        writer.writeheader()
        writer.writerows(stock)
    words = ("value", str(asked), "--store", str(demo_store), "--out", str(told))
    started = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "models", *words], capture_output=True, text=True, check=False
    )
    seconds = time.monotonic() - started
    print(f"{ROWS} rows by command: {seconds:.1f} s, {1000 * seconds / ROWS:.2f} ms a row")
    assert (done.returncode, done.stdout) == (0, ""), done.stderr
    with told.open(encoding="utf-8", newline="") as stream:
        return {row["id"]: row for row in csv.DictReader(stream)}


@pytest.fixture(scope="module")
def http(demo_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    with (
        Running(tmp_path_factory.mktemp("stock_service"), demo_store, fake=False) as service,
        httpx.Client(base_url=service.url, headers=service.headers, timeout=60) as client,
    ):
        yield client


def test_every_row_is_answered_in_its_order(stock: list[Row], by_command: dict[str, Row]) -> None:
    assert list(by_command) == [row["id"] for row in stock]
    assert [row["error"] for row in by_command.values() if row["error"]] == []


def test_the_service_says_the_same_to_the_cent(
    stock: list[Row], by_command: dict[str, Row], http: httpx.Client
) -> None:
    different = []
    for row in random.Random(12).sample(stock, SAMPLE):
        asked = {"instrument": Instrument.from_flat(row).to_nested()}
        made = http.post("/v1/valuations", json={**asked, "date": row["date"], "channel": row["channel"]})
        assert made.status_code == 201, made.text
        said, told = _of_service(made.json()), by_command[row["id"]]
        different += [
            (row["id"], name, text, told[name]) for name, text in said.items() if told[name] != text
        ]
    print(f"{SAMPLE} of {ROWS} rows asked one by one: {len(different)} figures differ")
    assert different == []


def _of_service(body: dict[str, Any]) -> Row:
    said = {"value": body["value"], "reference_value": body["reference"]["value"]}
    for interval in body["intervals"]:
        level = f"{interval['level'] * 100:.10g}"
        said |= {f"low_{level}": interval["low"], f"high_{level}": interval["high"]}
    said["evidence"] = body["evidence"]["word"]
    said["cautions"] = ";".join(dict.fromkeys(caution["code"] for caution in body["cautions"]))
    assert len(said) == 12
    return said
