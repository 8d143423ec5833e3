"""The first price model of somebody with few sales: judged by left-out specimens, promoted as provisional."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner, Result
from fitted_fake import FittedFake, fit_fake, read_fake

import models.bundles.bundle
from models.bundles.registry import Registry
from training import release
from training.cli import main
from training.demo.files import write_market
from training.demo.market import Market

Fit = Callable[..., Result]
WIDE, NARROW = 2.0, 0.001  # in the log: one holds every price of the demo, the other none


@pytest.fixture(scope="module")
def files(small_market: Market, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("market")
    write_market(folder, small_market, 3, progress=False)
    return folder


@pytest.fixture
def fits(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """Replace the fit by a fake. `sd` sets how wide its ranges are; `given` has each fit's ids and width."""
    told: dict[str, Any] = {"sd": WIDE, "given": []}

    def fit(rows: Any, catalogue: Any, rates: Any, seed: int, **more: Any) -> Any:
        told["given"].append(({row.id for row in rows}, more.get("width", 1.0)))
        model = replace(fit_fake(rows, catalogue, rates, seed), spread=told["sd"])
        return SimpleNamespace(model=model, report={"seed": seed})

    monkeypatch.setattr(release, "fit_anew", fit)
    monkeypatch.setattr(models.bundles.bundle, "_reader", lambda: read_fake)
    return told


@pytest.fixture
def fit(files: Path, fits: dict[str, Any], tmp_path: Path) -> Fit:
    """Give a function that fits the first `sales` sales, or the last if negative, and twice the askings.

    No row has a serial, so each is a specimen of its own.
    """
    with (files / "evidence.csv").open(encoding="utf-8", newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if row["id"].startswith("R") and not row["serial"]]

    def run_fit(sales: int, *more: str) -> Result:
        some = slice(sales) if sales > 0 else slice(sales, None)
        twice = slice(2 * sales) if sales > 0 else slice(2 * sales, None)
        chosen = [row for row in rows if row["kind"] == "sale"][some]
        chosen += [row for row in rows if row["kind"] == "asking"][twice]
        with (tmp_path / "few.csv").open("w", encoding="utf-8", newline="") as stream:
            writer = csv.DictWriter(stream, rows[0])
            writer.writeheader()
            writer.writerows(chosen)
        where = ("--catalogue", str(files / "catalogue.toml"), "--store", str(tmp_path / "store"))
        asked = ["fit", str(tmp_path / "few.csv"), *where, "--jobs", "1", *more]
        return CliRunner().invoke(main, asked)

    return run_fit


@pytest.fixture
def registry(tmp_path: Path) -> Registry:
    return Registry(tmp_path / "store")


def card_of(registry: Registry, version: str) -> tuple[dict[str, Any], str]:
    folder = registry.folder(version)
    return json.loads((folder / "card.json").read_text()), (folder / "card.html").read_text()


@pytest.mark.parametrize("sales", [1, 2, 3, 4, 12, 39])
def test_any_number_of_sales_gives_a_provisional_model_without_force(
    fit: Fit, registry: Registry, sales: int
) -> None:
    found = fit(sales, "--promote")
    assert found.exit_code == 0, found.stderr
    version = found.stdout.strip()
    assert registry.current().version == version
    assert registry.load().valuer.provisional
    assert registry.manifest(version)["provisional"] is True
    assert "The price model is provisional" in found.stderr
    assert f"It is the current price model of {registry.store} now." in found.stderr
    assert "Fewer than 20 sales could be kept out by time" in found.stderr
    (change,) = registry.history()
    assert (change.who, change.why[:14]) == ("the gate", "as provisional")


def test_few_sales_are_judged_by_left_out_specimens_and_the_card_says_how(
    fit: Fit, registry: Registry, fits: dict[str, Any]
) -> None:
    version = fit(12).stdout.strip()
    *of_folds, (whole, _) = fits["given"]
    assert len(of_folds) == 5
    assert all(len(ids) in (33, 34) and ids < whole for ids, _ in of_folds)  # 36 rows, less 2 or 3 sales
    about = registry.manifest(version)["about"]
    assert (about["judged"]["sales"], about["judged_by"]) == (12, "left-out instruments")
    assert about["gate"]["passed"] is True
    assert "each of 12 was judged by a fit without any record" in about["why_provisional"]
    told, page = card_of(registry, version)
    assert told["provisional"] is True
    assert told["why_provisional"] == about["why_provisional"]
    head = page[: page.index("<h2>")]
    assert "<strong>Provisional.</strong> Fewer than 20 sales" in head
    assert "without any record of the instrument, valued each sale" in page
    assert "were kept out. A second model, fitted only on earlier sales" not in page


def test_too_few_specimens_to_judge_by_are_said_and_nothing_is_fitted_to_judge(
    fit: Fit, registry: Registry, fits: dict[str, Any]
) -> None:
    found = fit(2)
    assert len(fits["given"]) == 1
    assert "fewer than 3 instruments were sold, so nothing can be judged yet" in found.stderr
    about = registry.manifest(found.stdout.strip())["about"]
    assert (about["judged"], about["judged_by"]) == (None, None)
    assert "How good the values are" not in card_of(registry, found.stdout.strip())[1]


def test_ranges_that_clearly_do_not_hold_are_refused_for_few_sales_too(
    fit: Fit, registry: Registry, fits: dict[str, Any]
) -> None:
    fits["sd"] = NARROW
    found = fit(12, "--promote")
    assert found.exit_code == 1
    assert "not promoted: coverage at 50%: 0 of 12 left-out sales inside" in found.stderr
    assert not registry.history()
    forced = fit(12, "--promote", "--force", "--who", "Ada", "--why", "to try it")
    assert forced.exit_code == 0
    assert registry.load().valuer.provisional
    assert registry.history()[0].why.startswith("to try it (by force; the gate said: coverage at 50%")


def test_left_out_sales_say_how_wide_the_ranges_have_to_be(fit: Fit, fits: dict[str, Any]) -> None:
    fit(12)
    assert fits["given"][-1][1] == 1.0
    fits["sd"] = NARROW
    fit(12)
    assert fits["given"][-1][1] == 1.25
    assert {width for _, width in fits["given"][:-1]} == {1.0}


def test_a_provisional_model_gives_way_to_the_next_one_and_to_one_that_earned_the_gate(
    fit: Fit, registry: Registry
) -> None:
    versions = [fit(count, "--promote").stdout.strip() for count in (5, 30, 300)]
    assert [change.version for change in registry.history()] == versions
    assert [registry.manifest(version)["provisional"] for version in versions] == [True, True, False]
    told, page = card_of(registry, versions[-1])
    assert (told["provisional"], told["why_provisional"]) == (False, None)
    assert "Provisional" not in page
    assert "were kept out. A second model, fitted only on earlier sales" in page
    assert registry.history()[-1].why == "the gate let it pass"


def test_a_provisional_model_takes_the_place_of_an_earned_one_by_force_alone(
    fit: Fit, registry: Registry
) -> None:
    earned = fit(300, "--promote").stdout.strip()
    found = fit(30, "--promote")
    assert found.exit_code == 1
    said = f"provisional: it would take the place of {earned}, which has earned the gate; use --force"
    assert said in found.stderr
    assert registry.current().version == earned
    forced = fit(30, "--promote", "--force", "--who", "Ada", "--why", "the old one was of another market")
    assert forced.exit_code == 0
    assert registry.current().version == forced.stdout.strip()
    assert f"(by force; the gate said: provisional: it would take the place of {earned}" in (
        registry.history()[-1].why
    )


def test_what_left_out_fits_said_is_not_held_against_one_that_is_judged_by_later_sales(
    fit: Fit, registry: Registry
) -> None:
    """The fits of a cross-validation knew the market of later days, which no holdout model does."""
    fit(-39, "--promote")
    assert registry.load().manifest["about"]["judged"]["sales"] == 39
    about = registry.manifest(fit(-300).stdout.strip())["about"]
    assert about["judged_by"] == "later sales"
    assert about["gate"]["common_sales"] == 0


def test_one_that_the_gate_refused_on_later_sales_is_provisional_once_it_is_forced(
    fit: Fit, registry: Registry, fits: dict[str, Any]
) -> None:
    fits["sd"] = NARROW
    found = fit(300, "--promote", "--force", "--who", "Ada", "--why", "nothing else is there")
    assert found.exit_code == 0
    assert registry.load().valuer.provisional
    assert "The gate did not let it pass." in found.stderr


def test_whoever_asks_that_nothing_is_judged_needs_force(fit: Fit, registry: Registry) -> None:
    found = fit(300, "--promote", "--holdout-months", "0")
    assert found.exit_code == 1
    assert "no months were kept out, as was asked" in found.stderr
    assert registry.manifest(found.stdout.strip())["provisional"] is True


def test_evaluate_says_that_the_model_is_provisional(fit: Fit, files: Path, registry: Registry) -> None:
    fit(12, "--promote")
    asked = ["evaluate", str(files / "holdout.csv"), "--store", str(registry.store)]
    assert json.loads(CliRunner().invoke(main, [*asked, "--json"]).stdout)["provisional"] is True
    text = CliRunner().invoke(main, asked).stdout
    assert text.startswith(f"bundle {registry.current().version} (provisional): ")


def test_the_fake_is_as_wide_as_these_tests_need(small_market: Market) -> None:
    model: FittedFake = fit_fake(small_market.evidence, small_market.catalogue, small_market.rates)
    assert 50 * NARROW < model.spread < WIDE / 2
