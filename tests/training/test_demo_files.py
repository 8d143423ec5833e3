"""`python -m training demo`: the files it writes are read back as the market they came from."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from pathlib import Path

import pytest
from click.testing import CliRunner

from models.domain.catalogue import read_catalogue
from models.domain.instrument import Instrument
from models.domain.vocabulary import FIELDS, Family
from training.commands.demo import demo
from training.demo.market import Market, make_market
from training.rates import load_rates
from training.reading import read_evidence

SEED, SALES = 4, 300


@pytest.fixture(scope="module")
def market() -> Market:
    return make_market(SEED, SALES)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("demo") / "new" / "folder"
    result = CliRunner().invoke(demo, [str(out), "--seed", str(SEED), "--sales", str(SALES)])
    assert result.exit_code == 0, result.output
    assert result.stdout.count("\n") == 1 and "evidence.csv (774 rows)" in result.stdout
    return out


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_it_writes_the_five_files(folder: Path) -> None:
    assert sorted(p.name for p in folder.iterdir()) == [
        "catalogue.toml",
        "evidence.csv",
        "holdout.csv",
        "instruments.csv",
        "truth.csv",
    ]


def test_the_files_are_read_back_as_the_market(folder: Path, market: Market) -> None:
    catalogue = read_catalogue((folder / "catalogue.toml").read_text("utf-8"))
    assert catalogue.models == market.catalogue.models
    evidence = read_evidence(folder / "evidence.csv", catalogue, load_rates(), progress=False)
    assert evidence.rows == market.evidence and evidence.ignored_columns == ()
    later = read_evidence(folder / "holdout.csv", catalogue, load_rates(), strict=True, progress=False)
    assert later.rows == market.holdout


def test_the_reader_refuses_the_wrong_rows_and_no_other(folder: Path, market: Market) -> None:
    reading = read_evidence(folder / "evidence.csv", market.catalogue, load_rates(), progress=False)
    fields = [fault.field for refusal in reading.refused for fault in refusal.faults]
    assert sorted(fields) == sorted(
        ["date"] * 3
        + ["price"] * 4
        + ["currency", "maker", "model", "condition_neck", "originality_pickups", "kind", "id"]
    )
    lines = (folder / "evidence.csv").read_text("utf-8").split("\n")
    for refusal in reading.refused:
        assert lines[refusal.line - 1].startswith(f"{refusal.id},")


def test_names_are_now_and_then_spelled_otherwise(folder: Path, market: Market) -> None:
    makers = set(market.catalogue.makers)
    odd = [row for row in table(folder / "evidence.csv") if row["maker"] not in makers]
    assert 3 < len(odd) < 0.06 * len(market.evidence)


def test_the_stock_list_is_in_the_form_of_instruments(folder: Path, market: Market) -> None:
    rows = table(folder / "instruments.csv")
    assert len(rows) == 40
    assert [(row["id"], Instrument.from_flat(row)) for row in rows] == list(market.stock)
    assert {(row["date"], row["channel"]) for row in rows} == {("2026-06-30", "dealer")}


def test_the_truth_has_a_line_for_every_row_and_adds_up(folder: Path, market: Market) -> None:
    truth = {row["id"]: row for row in table(folder / "truth.csv")}
    assert list(truth) == [
        *(row.id for row in market.evidence),
        *(row.id for row in market.holdout),
        *(name for name, _ in market.stock),
    ]
    for name, row in truth.items():
        assert float(row["log_value"]) == pytest.approx(market.log_value[name], abs=1e-8)
        for family in (Family.CONDITION, Family.ORIGINALITY):
            fields = [f"field_{f.flat}" for f in FIELDS if f.family is family]
            parts = sum(float(row[field]) for field in fields)
            assert parts == pytest.approx(float(row[f"effect_{family}"]), abs=1e-7)


def test_what_the_truth_says_explains_the_value_within_a_model(folder: Path, market: Market) -> None:
    """log value − market − the effects by family is the model's reference: one number per model."""
    rest: dict[tuple[str, str], set[float]] = {}
    instruments = {row.id: row.instrument for row in (*market.evidence, *market.holdout)}
    for row in table(folder / "truth.csv"):
        if row["id"] in instruments:
            it = instruments[row["id"]]
            rest.setdefault((it.maker, it.model), set()).add(round(reference_of(row), 6))
    assert all(max(levels) - min(levels) < 1e-5 for levels in rest.values())
    assert len({max(levels) for levels in rest.values()}) == len(rest)


def reference_of(row: Mapping[str, str]) -> float:
    effects = sum(float(cell) for name, cell in row.items() if name.startswith("effect_"))
    return float(row["log_value"]) - float(row["log_market"]) - effects


def test_writing_again_gives_the_same_bytes(folder: Path, tmp_path: Path) -> None:
    result = CliRunner().invoke(demo, [str(tmp_path), "--seed", str(SEED), "--sales", str(SALES)])
    assert result.exit_code == 0
    for path in folder.iterdir():
        assert path.read_bytes() == (tmp_path / path.name).read_bytes(), path.name


def test_wrong_use_and_an_unwritable_folder_say_so(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    runner = CliRunner()
    assert runner.invoke(demo, []).exit_code == 2
    assert runner.invoke(demo, [str(tmp_path), "--sales", "0"]).exit_code == 2
    assert runner.invoke(demo, [str(tmp_path / "one"), "--sales", "1"]).exit_code == 0
    rows = (tmp_path / "one" / "evidence.csv").read_text(encoding="utf-8").splitlines()
    assert sum(",sale," in line for line in rows) >= 1
    assert runner.invoke(demo, [str(tmp_path / "file")]).exit_code == 2
    failed = runner.invoke(demo, [str(tmp_path / "file" / "below"), "--sales", "20"])
    assert failed.exit_code == 1
    assert "cannot be written" in failed.output and "Traceback" not in failed.output
