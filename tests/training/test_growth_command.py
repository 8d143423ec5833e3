"""`python -m training evaluate --growth`: a linear model by hand, and fits of its parts that are fakes."""

from __future__ import annotations

import csv
import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner, Result
from fakes import CATALOGUE, RATES, FakePriceModel
from fitted_fake import FittedFake, fit_fake
from linear_market import linear_model, sales

from models.bundles.bundle import write_bundle
from models.bundles.registry import Registry
from models.domain.evidence import Evidence
from models.domain.evidence_snapshot import EVIDENCE, EvidenceSnapshot
from models.practice import NO_PRACTICE, shipped
from training.cli import main
from training.commands import growth as growth_command

SEED = 11


@pytest.fixture(autouse=True)
def asked(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """Every fit that was asked for: its range narrows with the root of its sales."""
    found: list[dict[str, Any]] = []

    def fit(rows: Sequence[Evidence], catalogue: Any, rates: Any, seed: int, *, practice: Any) -> FittedFake:
        found.append({"rows": len(rows), "seed": seed, "practice": practice})
        return replace(fit_fake(rows, catalogue, rates, seed), spread=1 / len(rows) ** 0.5)

    monkeypatch.setattr(growth_command, "fit_for_backtest", fit)
    return found


def stored(store: Path, rows: list[Evidence], *, provisional: bool = False, **extra: bytes) -> str:
    files = {
        EVIDENCE: EvidenceSnapshot.of(rows).to_bytes(),
        **{name.replace("__", "."): e for name, e in extra.items()},
    }
    version = write_bundle(
        store, linear_model(rows), CATALOGUE, RATES, {"seed": SEED}, files, provisional=provisional
    )
    Registry(store).promote(version, who="Ada", why="tried")
    return version


def growth(store: Path, *more: str | Path) -> Result:
    args = ["evaluate", "--store", store, "--growth", "--jobs", "1", *more]
    return CliRunner().invoke(main, [str(arg) for arg in args])


def test_past_expected_and_next_as_json(tmp_path: Path, asked: list[dict[str, Any]]) -> None:
    version = stored(tmp_path, sales(80, 24, refinished=4))
    found = json.loads(growth(tmp_path, "--json").stdout)
    assert found["version"] == version
    assert found["records"] == {"sale": 104, "instruments": 104}
    assert [(size["share"], size["fits"], size["sale"]) for size in found["past"]] == [
        (1 / 8, 4, 13),
        (1 / 4, 4, 26),
        (1 / 2, 4, 52),
    ]
    # The fakes' ranges are 2.56 standard deviations wide, those one over the root of their sales.
    widths = [2 * 1.2815515655446004 / n**0.5 for n in (13, 26, 52)]
    assert [size["width"] for size in found["past"]] == pytest.approx(widths)
    at = found["expected"]["width"]["at"]
    assert [one["sales"] for one in at] == [104, 208, 416]
    assert all(one["low"] <= one["value"] <= one["high"] for one in at)
    assert at[0]["value"] > at[1]["value"] > at[2]["value"]
    assert found["next"]["models"][0]["name"] == "Séraphine & Fils Étoile"
    assert [entry["name"] for entry in found["next"]["fields"]] == ["finish originality"]
    assert {one["seed"] for one in asked} == {SEED}
    assert all(one["practice"] == NO_PRACTICE for one in asked)


def test_the_practice_of_the_bundle_is_that_of_its_parts(tmp_path: Path, asked: list[dict[str, Any]]) -> None:
    stored(tmp_path, sales(40), practice__toml=shipped().text.encode())
    assert growth(tmp_path).exit_code == 0
    assert asked and all(one["practice"] == shipped() for one in asked)


def test_the_text_says_all_of_it(tmp_path: Path) -> None:
    version = stored(tmp_path, sales(80, 24, refinished=4))
    said = growth(tmp_path).stdout
    assert said.startswith(f"bundle {version}: 104 sales, 0 asking prices, 0 offers, 104 instruments\n")
    assert "sales of instruments that its fits have no record of" in said
    assert "104 (today)" in said and "208 (2 times)" in said and "416 (4 times)" in said
    assert "Ten more sales of Séraphine & Fils Étoile (none so far) would narrow" in said
    assert "Ten more sales of Ostvik (104 so far), spread over its 2 models, would narrow" in said


def test_too_few_sizes_are_said_instead_of_a_figure(tmp_path: Path) -> None:
    stored(tmp_path, sales(60), provisional=True)
    found = json.loads(growth(tmp_path, "--json").stdout)
    assert found["provisional"] is True
    assert [size["share"] for size in found["past"]] == [1 / 4, 1 / 2]
    assert found["expected"] is None
    assert "3 sizes of at least 10 sales each, and there are 2; about 80 sales" in found["expected_note"]
    said = growth(tmp_path).stdout
    assert "(provisional): 60 sales" in said
    assert "Expected: the sales are too few to say" in said


def test_a_handful_of_sales_still_says_which_to_record_next(tmp_path: Path) -> None:
    stored(tmp_path, sales(5))
    said = growth(tmp_path)
    assert said.exit_code == 0
    assert "Past: no part of the records has enough sales for a fit" in said.stdout
    assert "Ten more sales of Séraphine & Fils Étoile" in said.stdout
    refused = growth(tmp_path, "--picture", tmp_path / "growth.svg")
    assert refused.exit_code == 1
    assert "nothing to draw with fewer than 20 sales" in refused.stderr


def test_a_holdout_judges_all_sizes(tmp_path: Path) -> None:
    stored(tmp_path, sales(40, 10))
    later = sales(0, 0, 15)
    file = tmp_path / "later.csv"
    with file.open("w", newline="") as stream:
        flat = [row.to_flat() for row in later]
        writer = csv.DictWriter(stream, list(flat[0]))
        writer.writeheader()
        writer.writerows(flat)
    found = json.loads(growth(tmp_path, file, "--json").stdout)
    assert found["judged_by"] == "holdout"
    assert [(size["share"], size["fits"], size["judged"]) for size in found["past"]] == [
        (1 / 4, 4, 60),
        (1 / 2, 4, 60),
        (1.0, 1, 15),
    ]
    assert found["expected"] is not None


def test_the_picture_is_an_svg_file_with_words(tmp_path: Path) -> None:
    stored(tmp_path, sales(80, 24))
    file = tmp_path / "growth.svg"
    assert growth(tmp_path, "--picture", file).exit_code == 0
    root = ElementTree.parse(file).getroot()
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert "four times today's records" in root.attrib["aria-label"]
    texts = {text.text for text in root.iter("{http://www.w3.org/2000/svg}text")}
    assert {"median error, per cent", "RMSE in log, about the median", "416"} <= texts
    first = file.read_bytes()
    growth(tmp_path, "--picture", file)
    assert file.read_bytes() == first


def test_a_picture_that_cannot_be_written_is_said_in_a_line(tmp_path: Path) -> None:
    stored(tmp_path, sales(80))
    found = growth(tmp_path, "--picture", tmp_path / "nowhere" / "growth.svg")
    assert found.exit_code == 1
    assert "cannot be written" in found.stderr and "Traceback" not in found.stderr


def test_without_growth_a_holdout_is_needed(tmp_path: Path) -> None:
    stored(tmp_path, sales(40))
    file = tmp_path / "later.csv"
    file.touch()
    for more, said in (
        ([], "HOLDOUT is needed"),
        ([str(file), "--picture", "growth.svg"], "--picture, --jobs and --cluster go with --growth only"),
        ([str(file), "--jobs", "2"], "--picture, --jobs and --cluster go with --growth only"),
        (
            [str(file), "--cluster", "tcp://127.0.0.1:1"],
            "--picture, --jobs and --cluster go with --growth only",
        ),
    ):
        found = CliRunner().invoke(main, ["evaluate", "--store", str(tmp_path), *more])
        assert found.exit_code == 2
        assert said in found.stderr


def test_a_bundle_without_evidence_or_with_another_model_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    version = write_bundle(tmp_path, linear_model(sales(40)), CATALOGUE, RATES, {"seed": SEED})
    Registry(tmp_path).promote(version, who="Ada", why="tried")
    found = growth(tmp_path)
    assert found.exit_code == 1 and "keeps no evidence" in found.stderr
    bundle = Registry(tmp_path).load()
    other = replace(bundle, valuer=replace(bundle.valuer, model=FakePriceModel()))
    monkeypatch.setattr(Registry, "load", lambda self: other)
    found = growth(tmp_path)
    assert found.exit_code == 1 and "does not say what it does not know" in found.stderr
