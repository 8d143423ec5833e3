"""A provisional price model: the rule, and that the word stands in what a bundle is asked."""

from __future__ import annotations

import csv
import io
import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from fakes import read_fake, write_fake

from models.bundles import bundle
from models.bundles.bundle import read_bundle
from models.bundles.provisional import in_place_of_earned, is_provisional, provisional
from models.bundles.registry import Registry, objections
from models.cli import main
from models.domain.instrument import Instrument, Subject

SUBJECT = Subject(Instrument("Ostvik", "Dal"), date(2026, 1, 2), "private")
STOCK = "id,maker,model,condition_neck\nA,Ostvik,Dal,3\n"
BY = {"who": "tester", "why": "a test"}


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """One bundle that earned the gate, and two that are provisional; none is current."""
    monkeypatch.setattr(bundle, "_reader", lambda: read_fake)
    write_fake(tmp_path, 8.0)
    for base in (8.1, 8.2):
        write_fake(tmp_path, base, provisional=True)
    return tmp_path


def run(*args: object) -> Any:
    return CliRunner().invoke(main, [str(arg) for arg in args])


@pytest.mark.parametrize(
    ("on_later_sales", "passed", "wanted"),
    [(True, True, False), (True, False, True), (False, True, True), (False, False, True)],
)
def test_only_the_gate_passed_on_later_sales_is_earned(
    on_later_sales: bool, passed: bool, wanted: bool
) -> None:
    assert provisional(on_later_sales=on_later_sales, passed=passed) is wanted


def test_a_provisional_one_takes_the_place_of_any_but_an_earned_one(store: Path) -> None:
    registry = Registry(store)
    earned, first, second = (registry.manifest(version) for version in registry.versions())
    assert in_place_of_earned(first, None) == []
    assert in_place_of_earned(first, first) == []
    assert in_place_of_earned(second, first) == []
    assert in_place_of_earned(earned, first) == []
    (said,) = in_place_of_earned(first, earned)
    assert said == f"provisional: it would take the place of {earned['version']}, which has earned the gate"
    assert objections(first, earned) == [said]


def test_a_bundle_from_before_there_was_the_word_is_not_provisional() -> None:
    assert not is_provisional({"version": "x"})


def test_a_valuation_says_it_once_as_a_member_and_once_as_a_caution(store: Path) -> None:
    registry = Registry(store)
    earned, first, _ = (
        read_bundle(registry.folder(version), read_model=read_fake).valuer for version in registry.versions()
    )
    for found in (first.value(SUBJECT), first.ranged(SUBJECT)):
        assert found.provisional
        assert [c.code for c in found.cautions].count("provisional_price_model") == 1
    for found in (earned.value(SUBJECT), earned.ranged(SUBJECT)):
        assert not found.provisional
        assert "provisional_price_model" not in [c.code for c in found.cautions]


def test_the_current_manifest_is_none_where_nothing_is_current_or_it_is_damaged(store: Path) -> None:
    registry = Registry(store)
    version = registry.versions()[0]
    assert registry.current_manifest() is None
    registry.promote(version, **BY)
    assert registry.current_manifest() == registry.manifest(version)
    (registry.folder(version) / "manifest.json").write_text("{")
    assert registry.current_manifest() is None


def test_lists_and_shows_have_the_word(store: Path) -> None:
    earned, first, second = Registry(store).versions()
    Registry(store).promote(first, **BY)
    assert run("list", "--store", store).stdout == (
        f"  {earned}\n* {first} provisional\n  {second} provisional\n"
    )
    rows = json.loads(run("list", "--store", store, "--json").stdout)
    assert [row["provisional"] for row in rows] == [False, True, True]
    assert f"version   {first} (current, provisional)" in run("show", "--store", store).stdout
    assert f"version   {second} (provisional)" in run("show", second, "--store", store).stdout
    for version, wanted in ((earned, False), (first, True)):
        assert json.loads(run("show", version, "--store", store, "--json").stdout)["provisional"] is wanted


def test_one_that_cannot_be_read_hides_no_other(store: Path) -> None:
    earned, first, second = Registry(store).versions()
    (store / "bundles" / first / "manifest.json").write_text("{")
    assert run("list", "--store", store).stdout == f"  {earned}\n  {first} damaged\n  {second} provisional\n"
    rows = json.loads(run("list", "--store", store, "--json").stdout)
    assert [row["provisional"] for row in rows] == [False, None, True]


def test_promote_says_whose_place_it_takes_and_keeps_that(store: Path) -> None:
    earned, first, second = Registry(store).versions()
    Registry(store).promote(earned, **BY)
    found = run("promote", first, "--store", store, "--who", "ann", "--why", "a new market")
    said = f"provisional: it would take the place of {earned}, which has earned the gate"
    assert found.exit_code == 0
    assert said in found.stderr
    assert Registry(store).history()[-1].why == f"a new market (the gate said: {said})"
    assert run("promote", second, "--store", store, "--why", "newer").stderr == ""


def test_a_stock_list_has_the_caution_in_every_row_and_the_word_beside_it(store: Path) -> None:
    earned, first, _ = Registry(store).versions()
    (store / "stock.csv").write_text(STOCK)
    for version, wanted in ((earned, False), (first, True)):
        Registry(store).promote(version, **BY)
        found = run("value", store / "stock.csv", "--store", store)
        (row,) = csv.DictReader(io.StringIO(found.stdout))
        assert ("provisional_price_model" in row["cautions"].split(";")) is wanted
        assert (f"the price model {version} is provisional" in found.stderr) is wanted
