"""Every command of the contract on files that somebody else made, with the fit that is shipped."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import statistics
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import foreign
import pytest
from click.testing import CliRunner, Result

from models.cli import main as models_main
from models.domain.money import Rates
from training.cli import main as training_main
from training.rates import load_rates

SALES, ASKINGS, OFFERS = 300, 200, 50


@dataclass(frozen=True)
class Files:
    folder: Path
    catalogue: Path
    evidence: Path
    holdout: Path
    at_fault: dict[int, str]  # line of the evidence → field

    @property
    def store(self) -> Path:
        return self.folder / "store"


@pytest.fixture(scope="module")
def rates() -> Rates:
    return load_rates()


@pytest.fixture(scope="module")
def files(rates: Rates, tmp_path_factory: pytest.TempPathFactory) -> Files:
    folder = tmp_path_factory.mktemp("foreign")
    good = [
        row
        for kind, count in (("sale", SALES), ("asking", ASKINGS), ("offer", OFFERS))
        for row in foreign.rows_of(kind, count, rates.usd_per, 1, foreign.FIRST, foreign.LAST)
    ]
    rows, at_fault = foreign.with_bad_rows(good, 2)
    assert len(at_fault) / len(rows) == pytest.approx(0.1, abs=0.001)
    (folder / "catalogue.toml").write_text(foreign.CATALOGUE, encoding="utf-8")
    later = foreign.rows_of("sale", 80, rates.usd_per, 3, foreign.LAST, foreign.LAST.replace(month=12))
    return Files(
        folder,
        folder / "catalogue.toml",
        foreign.write(folder / "evidence.csv", rows),
        foreign.write(folder / "holdout.csv", later),
        at_fault,
    )


def training(*words: str | Path) -> Result:
    return CliRunner().invoke(training_main, [str(word) for word in words])


def models(*words: str | Path) -> Result:
    return CliRunner().invoke(models_main, [str(word) for word in words])


def fit(files: Files, *more: str) -> Result:
    store = ("--store", files.store)
    return training("fit", files.evidence, "--catalogue", files.catalogue, *store, *more)


@pytest.fixture(scope="module")
def fitted(files: Files) -> Result:
    """Fitted and promoted through the gate, as anybody would."""
    return fit(files, "--promote")


def test_fit_refuses_the_bad_rows_by_line_and_field_and_uses_the_rest(files: Files, fitted: Result) -> None:
    assert fitted.exit_code == 0, fitted.stderr
    assert "ignored columns: shelf" in fitted.stderr
    told = dict(re.findall(r"^refused line (\d+)(?: \(id [^)]*\))?: (\S+?):? ", fitted.stderr, re.M))
    assert {int(line): field for line, field in told.items()} == files.at_fault
    used = SALES + ASKINGS + OFFERS
    assert f"{len(files.at_fault)} rows were refused, {used} are used" in fitted.stderr
    assert len(fitted.stdout.split()) == 1


def test_strict_makes_a_bad_row_an_error(files: Files, fitted: Result) -> None:
    for command in (["fit", "--store", str(files.folder / "none")], ["backtest"]):
        name, *more = command
        found = training(name, files.evidence, "--catalogue", files.catalogue, "--strict", *more)
        assert (found.exit_code, found.stdout) == (1, "")
        last = found.stderr.strip().splitlines()[-1]
        assert last.startswith("Error:") and f"line {min(files.at_fault)}" in last
    assert not (files.folder / "none").exists()


def test_evaluate_tells_figures_that_fit_the_market(files: Files, fitted: Result) -> None:
    found = training("evaluate", files.holdout, "--store", files.store, "--json")
    assert found.exit_code == 0, found.stderr
    told = json.loads(found.stdout)
    overall = told["overall"]
    assert told["version"] == fitted.stdout.strip() and overall["sales"] == 80
    assert 0.93 < overall["median_ratio"]["value"] < 1.07
    # The noise alone gives exp(.08 · .6745) − 1 = 5.5%.
    assert overall["cod"]["value"] < 16
    assert overall["coverage"]["0.8"] > 0.66 and overall["coverage"]["0.95"] > 0.86
    assert training("evaluate", files.holdout, "--store", files.store).exit_code == 0


def test_backtest_goes_through_the_last_quarters(files: Files) -> None:
    words = ("--catalogue", files.catalogue, "--years", "0.5", "--jobs", "1", "--json")
    found = training("backtest", files.evidence, *words)
    assert found.exit_code == 0, found.stderr
    told = json.loads(found.stdout)
    assert [q["origin"] for q in told["quarters"]] == ["2023-01-01", "2023-04-01"]
    assert 0.9 < told["overall"]["median_ratio"]["value"] < 1.1


def test_values_lie_near_the_truth_and_every_row_is_answered(
    files: Files, fitted: Result, rates: Rates
) -> None:
    rows = foreign.rows_of("sale", 200, rates.usd_per, 4, foreign.LAST, foreign.LAST.replace(month=12))
    rows[7]["condition_neck"] = "9"
    rows[11]["maker"] = "Nobody at All"
    stock = foreign.write(files.folder / "stock.csv", rows)
    found = models("value", stock, "--store", files.store, "--levels", "0.8,0.95")
    assert found.exit_code == 1, found.stderr
    assert "kind" in found.stderr and "2 of 200 rows could not be valued" in found.stderr
    told = list(csv.DictReader(io.StringIO(found.stdout)))
    assert [row["id"] for row in told] == [row["id"] for row in rows]
    assert [n for n, row in enumerate(told) if row["error"]] == [7, 11]
    misses = []
    for row, cells in zip(rows, told, strict=True):
        if cells["error"]:
            assert not cells["value"]
            continue
        value, low, high = (float(cells[name]) for name in ("value", "low_80", "high_80"))
        assert 0 < float(cells["low_95"]) <= low < value < high <= float(cells["high_95"]) < 1e6
        effects = sum(float(text) for name, text in cells.items() if name.startswith("effect_"))
        assert value == pytest.approx(float(cells["reference_value"]) * math.exp(effects), abs=0.006)
        # Each row names its currency, and is answered in it.
        assert cells["currency"] == row["currency"]
        usd = value * rates.usd_per(row["currency"], date.fromisoformat(cells["rate_day"]))
        misses.append(abs(math.log(usd) - foreign.true_log(row)))
    assert statistics.median(misses) < 0.04 and max(misses) < 0.3


def test_the_store_is_listed_shown_promoted_and_rolled_back(files: Files, fitted: Result) -> None:
    first = fitted.stdout.strip()
    # One more to choose from, without keeping anything out for judging: half of the time, and provisional.
    made = fit(files, "--holdout-months", "0", "--seed", "1")
    assert made.exit_code == 0, made.stderr
    second, store = made.stdout.strip(), ("--store", files.store)
    assert models("list", *store).stdout.splitlines() == [f"* {first}", f"  {second} provisional"]
    shown = json.loads(models("show", *store, "--json").stdout)
    assert shown["current"] and shown["about"]["refused_rows"] == len(files.at_fault)
    assert shown["about"]["ignored_columns"] == ["shelf"]
    changed = models("promote", second, *store, "--who", "Ada", "--why", "to try it")
    assert (changed.exit_code, changed.stdout.strip()) == (0, second)
    assert models("list", *store).stdout.splitlines() == [f"  {first}", f"* {second} provisional"]
    back = models("rollback", *store, "--who", "Ada", "--why", "tried")
    assert (back.exit_code, back.stdout.strip()) == (0, first)
    assert models("promote", "never-made", *store).exit_code == 1


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("fit", "no-such-file.csv"), 2),
        (("fit",), 2),
        (("evaluate", "{evidence}"), 2),
        (("backtest", "{evidence}", "--catalogue", "{evidence}"), 1),
        (("evaluate", "{catalogue}", "--store", "{store}"), 1),
    ],
)
def test_wrong_use_ends_with_2_and_a_wrong_file_with_1_in_one_line(
    files: Files, fitted: Result, words: tuple[str, ...], code: int
) -> None:
    named = {"evidence": files.evidence, "catalogue": files.catalogue, "store": files.store}
    found = training(*(word.format(**named) for word in words))
    assert (found.exit_code, found.stdout) == (code, "")
    assert found.stderr.strip().splitlines()[-1].startswith("Error:")
    assert "Traceback" not in found.stderr
