"""`python -m service value` says what `python -m models value` says, to the byte; else one line."""

from __future__ import annotations

import csv
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from running import Running


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, demo_store: Path) -> Iterator[Running]:
    with Running(tmp_path_factory.mktemp("valued"), demo_store, fake=False) as running:
        yield running


@pytest.fixture(scope="module")
def stock(demo_market: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Some of the demo's stock list, with a column that nobody knows and two rows that cannot be valued."""
    with (demo_market / "instruments.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))[:40]
    rows[7]["year"], rows[25]["model"] = "soon", "No such model"
    path = tmp_path_factory.mktemp("stock") / "stock.csv"
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, [*rows[0], "Shelf"], restval="3")
        writer.writeheader()
        writer.writerows(rows)
    return path


def run(*words: object, stdin: bytes = b"", **env: str) -> tuple[int, bytes, str]:
    done = subprocess.run(
        [sys.executable, "-m", *map(str, words)], capture_output=True, input=stdin, env=env, check=False
    )
    return done.returncode, done.stdout, done.stderr.decode()


def test_it_says_what_the_command_of_the_models_says(
    served: Running, stock: Path, demo_store: Path, tmp_path: Path
) -> None:
    key, out = tmp_path / "key", tmp_path / "values.csv"
    key.write_text(served.key + "\n")
    wanted = run("models", "value", stock, "--store", demo_store, "--levels", "0.8")
    assert wanted[0] == 1 and len(wanted[1].splitlines()) == 41
    said = ("value", stock, "--levels", "0.8", "--url", served.url)
    found = run("service", *said, "--key-file", key, "--out", out)
    assert found[:2] == (1, b"") and out.read_bytes() == wanted[1]
    assert (
        found[2]
        == wanted[2]
        == ("ignored columns: Shelf\nError: 2 of 40 rows could not be valued: see the column error\n")
    )
    found = run("service", "value", "-", "--levels", "0.8", stdin=stock.read_bytes(), **of(served))
    assert found == (1, wanted[1], wanted[2])


def test_it_ends_with_0_if_every_row_was_valued(served: Running, stock: Path) -> None:
    good = b"".join(stock.read_bytes().splitlines(keepends=True)[:4])
    code, text, said = run("service", "value", "-", stdin=good, **of(served))
    assert (code, len(text.splitlines()), said) == (0, 4, "ignored columns: Shelf\n")


def of(served: Running) -> dict[str, str]:
    return {"BOOKMATCH_URL": served.url, "BOOKMATCH_KEY": served.key}


def test_a_stock_list_of_which_no_row_can_be_valued_exits_with_1(served: Running) -> None:
    code, text, said = run("service", "value", "-", stdin=b"id,maker,model\nA,Nobody,Dal\n", **of(served))
    assert code == 1 and b"Nobody" in text
    assert said == "Error: 1 of 1 rows could not be valued: see the column error\n"


def test_day_market_and_currency_can_be_said(served: Running, stock: Path) -> None:
    terms = ("--date", "2026-06-30", "--channel", "dealer", "--currency", "JPY")
    code, text, _ = run("service", "value", stock, *terms, **of(served))
    rows = list(csv.DictReader(text.decode().splitlines()))
    assert code == 1 and len(rows) == 40 and "." not in rows[0]["value"]


@pytest.mark.parametrize(
    ("words", "env", "code", "said"),
    [
        ((), {"BOOKMATCH_KEY": ""}, 2, "BOOKMATCH_KEY"),
        ((), {"BOOKMATCH_KEY": "bm_0_no"}, 1, "key is not valid"),
        (("--url", "http://127.0.0.1:9"), {}, 1, "did not answer"),
        (("--url", "127.0.0.1:9"), {}, 2, "https://HOST"),
        (("--levels", "80"), {}, 2, "levels"),
        (("--currency", "XXX"), {}, 1, "currency"),
        (("--out", "/nowhere/values.csv"), {}, 2, "/nowhere"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(
    served: Running, stock: Path, words: tuple[str, ...], env: dict[str, str], code: int, said: str
) -> None:
    found = run("service", "value", stock, *words, **{**of(served), **env})
    assert found[:2] == (code, b"") and said in found[2]
    assert found[2].startswith("Error: ") and found[2].count("\n") == 1
