"""A fit names the rows that are hard to believe. The fit is a fake; the limits are counted by hand."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner, Result
from fakes import CATALOGUE, FakePriceModel, read_fake, write_fake

import models.bundles.bundle
from models.bundles.registry import Registry
from models.domain.evidence import Evidence
from models.domain.instrument import Instrument
from training import release
from training.cli import main
from training.commands import telling
from training.reading import Reading

HEAD = "id,kind,date,price,currency,channel,maker,model\n"
# The fake expects exp(8) = 2,980.96 USD: R2 is less than a fifth of it, and R3 was sold before 1962.
ROWS = [
    "R1,sale,2024-06-01,3000,USD,private,Ostvik,Dal",
    "R2,sale,2024-06-01,30,USD,private,Ostvik,Dal",
    "R3,sale,1950-06-01,3000,USD,private,Ostvik,Dal",
    "R4,sale,2024-06-01,3000,USD,private,Ostvik,Dal",
]


@pytest.fixture
def used(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The ids of the rows that the fit was given."""
    found: list[str] = []

    def fit(rows: Any, *_: Any, **__: Any) -> Any:
        found.extend(sorted({e.id for e in rows} - set(found)))
        return SimpleNamespace(model=FakePriceModel(), report={})

    monkeypatch.setattr(release, "fit_anew", fit)
    monkeypatch.setattr(models.bundles.bundle, "_reader", lambda: read_fake)
    return found


@pytest.fixture
def store(tmp_path: Path) -> Path:
    (tmp_path / "catalogue.toml").write_text(CATALOGUE.source)
    return tmp_path / "store"


def fit(store: Path, *rows: str) -> Result:
    file = store.parent / "evidence.csv"
    file.write_text(HEAD + "".join(f"{row}\n" for row in rows))
    words = ["fit", str(file), "--catalogue", str(store.parent / "catalogue.toml"), "--store", str(store)]
    return CliRunner().invoke(main, [*words, "--holdout-months", "0"])


def promote_fake(store: Path) -> None:
    Registry(store).promote(write_fake(store), who="tests", why="to doubt by")


def test_rows_that_are_hard_to_believe_are_counted_named_and_used(used: list[str], store: Path) -> None:
    promote_fake(store)
    found = fit(store, *ROWS)
    assert found.exit_code == 0, found.output
    lines = found.stderr.splitlines()
    assert "hard to believe, and used: 2; correct them, or take them out of the evidence" in lines
    doubted = [line for line in lines if line.startswith("doubted ")]
    assert [line.split()[1] for line in doubted] == ["R2:", "R3:"]
    assert "price: 30 USD is at most a fifth of the 2,980.96 USD" in doubted[0]
    assert "1950-06-01 is before 1962" in doubted[1]
    assert used == ["R1", "R2", "R3", "R4"]
    assert found.stdout.strip() in Registry(store).versions()


def test_without_a_current_price_model_only_days_are_doubted(used: list[str], store: Path) -> None:
    lines = fit(store, *ROWS).stderr.splitlines()
    assert [line.split()[1] for line in lines if line.startswith("doubted ")] == ["R3:"]


def test_rows_that_can_be_believed_are_not_spoken_of(used: list[str], store: Path) -> None:
    promote_fake(store)
    assert "believe" not in fit(store, ROWS[0], ROWS[3]).stderr


def test_a_damaged_price_model_is_said_and_stops_no_fit(used: list[str], store: Path) -> None:
    promote_fake(store)
    (bundle,) = Registry(store).versions()
    (store / "bundles" / bundle / "fake.json").write_text("{}")
    found = fit(store, *ROWS)
    assert found.exit_code == 0
    assert "no price is held against the current price model, which cannot be read" in found.stderr
    assert "hard to believe, and used: 1;" in found.stderr


def test_many_are_cut_to_a_list_of_ids(used: list[str], store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(telling, "_MOST_NAMED", 1)
    monkeypatch.setattr(telling, "_MOST_LISTED", 2)
    odd = [ROWS[2].replace("R3", f"Q{number}") for number in range(5)]
    lines = fit(store, ROWS[0], *odd).stderr.splitlines()
    assert [line.split()[1] for line in lines if line.startswith("doubted ")] == ["Q0:"]
    assert "and doubted as well: Q1, Q2 and 2 more" in lines


def test_what_is_held_out_is_counted_and_what_was_confirmed_is_not_told(
    store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    it = Instrument("Ostvik", "Dal")
    old = [Evidence(id, "sale", date(1950, 1, 1), Decimal(9), "USD", "private", "", it) for id in "AB"]
    reading = Reading(tuple(old), (), (), held=("H1", "H2"), confirmed=frozenset("A"))
    telling.tell(reading)
    telling.tell_doubts(reading, CATALOGUE, store)
    said = capsys.readouterr().err
    assert "held out, because a warning on each is neither confirmed nor corrected: 2 (H1, H2);" in said
    assert "doubted B: date: 1950-01-01" in said and "doubted A" not in said
