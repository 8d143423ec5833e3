"""The card's section on the trees: its figures are those of the served model, and they are told in words."""

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import orjson
import pytest
from forests import strengths_of

from models.bundles.registry import Registry
from models.domain.evidence import Evidence
from models.domain.instrument import Instrument, Subject
from models.price.instruments.encoding import InstrumentEncoding
from models.price.instruments.model import GuitarModel
from training.card import trees
from training.card.contents import plain
from training.card.learnt import learnt, response
from training.card.page import page
from training.reading import read_evidence


class Served(NamedTuple):
    model: GuitarModel
    rows: Sequence[Evidence]
    card: dict[str, Any]


@pytest.fixture(scope="module")
def served(demo_store: Path, demo_market: Path) -> Served:
    bundle = Registry(demo_store).load()
    valuer, model = bundle.valuer, bundle.valuer.model
    assert isinstance(model, GuitarModel)
    reading = read_evidence(demo_market / "evidence.csv", valuer.catalogue, valuer.rates, progress=False)
    return Served(model, reading.rows, orjson.loads(bundle.file("card.json")))


def inputs_of(model: GuitarModel, subjects: Sequence[Subject]) -> np.ndarray:
    encoding = InstrumentEncoding(model.catalogue, model.typical)
    return model.evaluator.parts_of([encoding.row(s) for s in subjects]).inputs


def test_the_bundles_own_card_says_what_its_served_model_learnt(served: Served) -> None:
    assert served.card["trees"] == plain(learnt(served.model, served.rows, served.card["fit"]))


def test_the_response_moves_as_the_served_values_move(served: Served) -> None:
    """Specimens of one model that differ in losses alone: the level is the same, so the response is all."""
    model = served.model
    maker = model.catalogue.models[0]
    clean = model.reference(Subject(Instrument(maker.maker, maker.name), date(2025, 6, 1), "dealer"))
    worn = [
        clean.but(condition_top=grade, condition_neck=grade, originality_finish=finish)
        for grade in (0.0, 2.0, 3.5, 5.0)
        for finish in ("original", "refinished")
    ]
    whole, own = response(model.core, inputs_of(model, worn))
    value = model.center(worn)
    assert whole - whole[0] == pytest.approx(value - value[0], abs=1e-8)
    assert np.ptp(own) > 0.3


def test_each_line_falls_and_begins_at_one(served: Served) -> None:
    bends = served.card["trees"]["bends"]
    assert [bend["kind"] for bend in bends] == ["originality", "rarity"]
    assert bends[0]["by"] in ("refinish", "changed parts")
    assert bends[1]["by"] in ("edition", "build", "figure")
    for bend in bends:
        assert [line["name"] for line in bend["lines"]] == ["low", "middle", "high"]
        assert (np.diff(bend["loss"]) > 0).all()
        for line in bend["lines"]:
            assert line["value"][0] == line["backbone"][0] == 1
            assert (np.diff(line["value"]) <= 0).all()
            assert line["value"][-1] < 0.7


def test_pairs_stand_by_strength_as_served(served: Served) -> None:
    told, core = served.card["trees"], served.model.core
    assert core.trees is not None
    sales = [row.subject for row in served.rows if row.kind == "sale"]
    strengths = strengths_of(core.trees.tables, inputs_of(served.model, sales))
    sizes = [pair["strength"] for pair in told["pairs"]]
    assert sizes[0] == pytest.approx(core.trees.weight * max(strengths.values()))
    assert sizes == sorted(sizes, reverse=True)
    assert told["map"]["inputs"] == told["pairs"][0]["inputs"]


def test_the_map_holds_what_neither_input_does_alone(served: Served) -> None:
    told = served.card["trees"]["map"]
    effect, sales = np.array(told["effect"], dtype=np.float64), np.array(told["sales"])
    total = np.nan_to_num(effect) * sales
    assert sales.sum() == served.card["trees"]["sales"] == served.card["evidence"]["sale"]
    # Over the sales of a row or a column it is nothing: that would be an input's own.
    for side in (0, 1):
        assert np.abs(total.sum(axis=side)).max() < 0.02 * np.abs(total).sum()
    assert np.nanmax(np.abs(effect)) > 0


def test_the_page_draws_them_and_tells_them(served: Served) -> None:
    html = page(served.card, None)
    section = html[html.index("The boosted trees</h2>") : html.index("The evidence</h2>")]
    labels = re.findall(r'<svg role="img" aria-label="([^"]+)"', section)
    assert [len(label) > 60 for label in labels] == [True] * 3
    strongest = " × ".join(served.card["trees"]["pairs"][0]["inputs"])
    assert strongest in labels[1]
    assert f"{served.card['trees']['trees']:,} trees" in section
    ids = re.findall(r' id="([^"]+)"', html)
    assert len(ids) == len(set(ids))
    assert html == page(served.card, None)


def test_a_bundle_without_trees_says_so(served: Served) -> None:
    bare = replace(served.model, core=replace(served.model.core, trees=None))
    assert learnt(bare, served.rows, served.card["fit"]) is None
    html = page({**served.card, "trees": None}, None)
    assert "no boosted trees" in html
    assert "boosters with" not in html


def test_a_table_that_finds_no_pair_leaves_its_pictures_out(served: Served) -> None:
    told = {**served.card["trees"], "pairs": [], "map": None, "bends": []}
    assert "<svg" not in "".join(trees.section(told))


@pytest.mark.parametrize(
    ("gain", "error", "said"),
    [
        (0.0105, 0.003, "take away 1.05% of the squared error of the log price (standard error 0.30%)."),
        (0.0004, 0.0003, "(standard error 0.03%). That is too little to tell from chance."),
        (-0.0102, 0.02, "add 1.02% of the squared error"),
    ],
)
def test_the_gain_is_told_with_its_doubt(gain: float, error: float, said: str) -> None:
    told = {"boosters": 16, "trees": 1760, "weight": 0.25, "gain": gain, "gain_error": error}
    words = trees.amount(told)
    assert said in words
    assert words.startswith("16 boosters with 1,760 trees in all")
    assert ("chance" in words) == (gain < 2 * error)
