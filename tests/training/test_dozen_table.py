"""The table of the study of few sales by made-up figures, and its file."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from training.yardstick import study as kept
from training.yardstick.dozen.measure import WITH, WITHOUT, FitFigures
from training.yardstick.dozen.table import as_text

_FIGURES = (
    *(
        "rmse",
        "rmse_true",
        "rmse_whole",
        "error",
        "score",
        "ratio",
        "held_50",
        "held_80",
        "held_90",
        "held_95",
    ),
    *(f"{how} {one}" for how in ("told", "kept", "off") for one in ("rarity", "condition", "originality")),
    *("told provenance", "kept provenance", "off provenance"),
)


def _measured(seed: int, side: str, figure: float, kind: str = "contrary-60") -> FitFigures:
    names = None if side == WITHOUT else ("refinished",) if seed == 1 else ()
    return FitFigures(kind, seed, side, 2.0, "", dict.fromkeys(_FIGURES, figure), names)


def _rows(markets: Sequence[FitFigures]) -> list[str]:
    return [" ".join(line.split()) for line in as_text(markets).splitlines()]


def test_changes_are_paired_by_market_in_per_cent_of_errors_and_in_points_of_shares() -> None:
    sides = [(1, WITHOUT, 0.2), (2, WITHOUT, 0.4), (2, WITH, 0.32), (1, WITH, 0.2), (3, WITHOUT, 0.6)]
    rows = _rows([_measured(*one) for one in sides])
    start = rows.index("markets RMSE price RMSE truth RMSE whole median error score of 90% ratio")
    # .2, .4 and .6 have the mean .4 and the standard deviation .2.
    assert rows[start + 1].startswith("contrary-60 without 3 0.4000 ± 0.1155 0.4000 ± 0.1155")
    assert rows[start + 2].startswith("contrary-60 with 2 0.2600 ± 0.0600")
    # No change and a fifth less: −10% ± 10; as a difference 0 and −.08.
    assert rows[start + 3].startswith("contrary-60 change 2 -10.00 ± 10.00")
    assert rows[start + 3].endswith(" -0.040 ± 0.040")
    assert "refinished in 1 of 2" in rows[rows.index("Seconds of a processor for a fit") - 2]


def test_a_size_that_the_fit_refuses_is_named_as_refused() -> None:
    none = FitFigures("additive-12", 1, WITHOUT, 0.1, "12 closed sales are too few", {}, None)
    rows = _rows([none, _measured(1, WITHOUT, 0.2, "additive-25")])
    assert "additive-12 without refused" in rows
    assert "additive-12 refused" in rows  # of its seconds
    assert "additive-25 without 1 0.2000 0.2000 0.2000 0.20 0.2000 0.200" in rows
    assert not any("change" in row for row in rows if row.startswith("additive"))
    assert "additive-25 not known: no fit says so" in rows


def test_what_is_kept_is_read_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "dozen.json"
    markets = [_measured(1, WITHOUT, 0.2), _measured(1, WITH, 0.1), _measured(2, WITH, 0.3)]
    kept.write(path, "a", markets)
    assert [FitFigures.from_row(row) for row in kept.read(path, "a")] == markets
    assert json.loads(path.read_text())["code"] == "a"


def test_other_rules_of_practice_are_another_state_of_the_code(tmp_path: Path) -> None:
    rules = tmp_path / "models/practice/practice.toml"
    study = tmp_path / "training/yardstick/dozen/measure.py"
    for path in (rules, study):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("one")
    studies = ["training/yardstick/dozen"]
    before = kept.code_hash(tmp_path, studies=studies)
    for path in (rules, study):
        path.write_text("two")
        assert kept.code_hash(tmp_path, studies=studies) != before
        path.write_text("one")
    assert kept.code_hash(tmp_path, studies=studies) == before
