"""The price model behind its interface: what stands behind a value, and that only its own files are read."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from specimens import drawn

from models.bundles.registry import Registry
from models.domain.instrument import Instrument, Subject
from models.domain.vocabulary import DEFAULT_LEVELS
from models.errors import BundleDamagedError
from models.practice.reliance import EVIDENCE_ALONE, RuleShare, reliance_of
from models.price.instruments.model import GuitarModel, read_model
from models.price.interface import FACTORS
from training.fit import counts_of
from training.rates import load_rates
from training.reading import read_evidence

DAY = date(2025, 3, 1)


@pytest.fixture(scope="module")
def model(demo_store: Path) -> GuitarModel:
    found = Registry(demo_store).load().valuer.model
    assert isinstance(found, GuitarModel)
    return found


@pytest.fixture(scope="module")
def files(model: GuitarModel) -> dict[str, bytes]:
    return model.to_files()


def test_direct_sales_are_those_of_the_same_model_edition_and_build(model: GuitarModel) -> None:
    m = model.catalogue.models[0]
    key = f"{m.maker.casefold()}|{m.name.casefold()}"
    sales = {key: {"standard": {"production": 10, "prototype": 1}, "solverv": {"production": 3}}}
    counted = replace(model, sales=sales)
    it = Instrument(m.maker, m.name)
    asked = [
        (it, 10, "many"),
        (it.but(build="production"), 10, "many"),
        (it.but(build="prototype"), 1, "few"),
        (it.but(build="custom_order"), 0, "none"),
        (it.but(edition="SOLVERV"), 3, "several"),
        (it.but(edition="Solverv", build="prototype"), 0, "none"),
        (it.but(edition="Never Made"), 0, "none"),
    ]
    found = counted.assess([Subject(i, DAY, "private") for i, _, _ in asked], (0.8,)).weights
    assert [(w.direct_sales, w.word) for w in found] == [(count, word) for _, count, word in asked]


def test_sales_are_counted_without_askings_and_offers(demo_market: Path, model: GuitarModel) -> None:
    reading = read_evidence(demo_market / "evidence.csv", model.catalogue, load_rates(), progress=False)
    rows = reading.rows
    assert counts_of(rows) == model.sales
    total = sum(
        n for editions in model.sales.values() for builds in editions.values() for n in builds.values()
    )
    assert total == sum(row.kind == "sale" for row in rows) < len(rows)
    assert model.last_evidence == max(row.day for row in rows)


def test_a_model_with_more_sales_has_more_evidence_behind_it(model: GuitarModel) -> None:
    subjects = [
        Subject(Instrument(m.maker, m.name, year=m.first_year), DAY, "private")
        for m in model.catalogue.models
    ]
    found = model.assess(subjects, (0.8,)).weights
    direct = np.array([w.direct_sales for w in found])
    effective = np.array([w.effective_sales for w in found])
    order = np.argsort(direct)
    few, many = effective[order[:8]].mean(), effective[order[-8:]].mean()
    assert many > few > 0


def test_nobody_asked_is_nobody_answered(model: GuitarModel) -> None:
    found = model.assess([], DEFAULT_LEVELS)
    assert found.low.shape == (0, 4) and found.effects.shape == (0, len(FACTORS))
    assert model.center([]).shape == (0,)


def test_files_are_text_json_and_arrays_and_the_same_again(
    model: GuitarModel, files: dict[str, bytes]
) -> None:
    assert {name.rpartition(".")[2] for name in files} <= {"json", "npz", "txt"}
    assert model.to_files() == files
    again = read_model(files, model.catalogue)
    assert again.to_files() == files and again.last_evidence == model.last_evidence
    subjects = drawn(model.catalogue, 100, seed=40)
    assert (again.center(subjects) == model.center(subjects)).all()


def test_what_rests_on_practice_is_kept_and_nothing_else_hangs_on_it(
    model: GuitarModel, files: dict[str, bytes]
) -> None:
    rules = [
        RuleShare({"originality_finish": "refinished"}, {"originality_finish": "original"}, 0.75),
        RuleShare({"condition_neck": 5.0}, {"condition_neck": 1.0}, 0.25),
        RuleShare({"provenance_paperwork": True}, {"provenance_paperwork": False}, 1.0),
    ]
    practised = replace(model, reliance=reliance_of(rules)).to_files()
    assert read_model(practised, model.catalogue).reliance == reliance_of(rules)
    bare = replace(model, reliance=EVIDENCE_ALONE).to_files()
    assert json.loads(bare["model.json"])["reliance"] == {}
    assert read_model(bare, model.catalogue).reliance == EVIDENCE_ALONE
    # All other files and members are those of a model without practice.
    assert {name for name in files if practised[name] != bare[name]} == {"model.json"}
    with_it, without = (json.loads(made["model.json"]) for made in (practised, bare))
    assert {**with_it, "reliance": {}} == without


def test_files_of_other_feature_columns_are_refused(model: GuitarModel, files: dict[str, bytes]) -> None:
    state = json.loads(files["model.json"])
    other = {**files, "model.json": json.dumps({**state, "features": "0" * 64}).encode()}
    with pytest.raises(BundleDamagedError, match="other feature columns"):
        read_model(other, model.catalogue)


@pytest.mark.parametrize(
    "change",
    [{"inputs": "turned"}, {"weight": 1.5}, {"weight": -0.1}, {"handed": 2.0}, {"handed_level": -1}],
    ids=str,
)
def test_trees_that_break_a_sign_or_a_share_are_refused(
    model: GuitarModel, files: dict[str, bytes], change: dict[str, object]
) -> None:
    state = json.loads(files["core.json"])
    trees = state["trees"]
    # No trees fall with a loss and rise with it: said of the wrong sign they break it.
    turned = [{**one, "sign": -one["sign"]} for one in trees["inputs"]]
    state["trees"] = {**trees, **({"inputs": turned} if "inputs" in change else change)}
    with pytest.raises(BundleDamagedError, match="break a sign or a share"):
        read_model({**files, "core.json": json.dumps(state).encode()}, model.catalogue)


def test_an_array_of_objects_is_never_unpickled(
    model: GuitarModel, files: dict[str, bytes], tmp_path: Path
) -> None:
    path = tmp_path / "core.npz"
    with np.load(io.BytesIO(files["core.npz"]), allow_pickle=False) as npz:
        arrays = {name: npz[name] for name in npz.files}
    np.savez(path, **{**arrays, "theta": np.array([{"a": 1}], dtype=object)})
    with pytest.raises(ValueError, match="allow_pickle"):
        read_model({**files, "core.npz": path.read_bytes()}, model.catalogue)
