"""The study of fresh markets: the arithmetic of its table by made-up figures, its file, and the rivals."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from markets import market

from models.price.core.basis import Table
from models.price.instruments.features import COLUMNS, columns
from models.price.interface import EvidenceWeight
from models.study.judge import Judged
from training.demo.market import Market
from training.demo.world.workshops import EVIDENCE_ENDS
from training.fit import fit_model
from training.fit.design.typical import typical_of
from training.yardstick import study as kept
from training.yardstick.fresh.measure import ALONE, RAW, THIS, TRUTH, MarketFigures, inside, moved, scattered
from training.yardstick.fresh.raw import coded, codes_of
from training.yardstick.fresh.rivals import Rivals, fit_rivals
from training.yardstick.fresh.table import as_text, off, percent_of, pooled, said

FRESH = "training/yardstick/fresh"


def _measured(seed: int, this: float, held: tuple[int, ...], kind: str = "additive") -> MarketFigures:
    return MarketFigures(
        kind,
        seed,
        1.0,
        squares={ALONE: 0.04, RAW: 0.04, THIS: this},
        scatter={ALONE: 0.02, RAW: 0.01, THIS: 0.02},
        error={ALONE: 10.0, RAW: 9.0, THIS: 8.0},
        score={ALONE: 0.8, THIS: 0.6},
        ratio={ALONE: 1.0, THIS: 1.01},
        ratio_then={ALONE: 1.0, THIS: 0.99},
        prd={THIS: 1.02, TRUTH: 1.01},
        prb={THIS: -0.02, TRUTH: -0.01},
        weight={RAW: 0.5, THIS: 0.7},
        inside={"": held, "channel: dealer": (held[0] // 2, *(k // 2 for k in held[1:]))},
    )


# Two markets: of 200 sales together, 100 in the half, 136 in the ranges of 80%, 180 and 190.
MARKETS = (_measured(1, 0.036, (80, 40, 48, 72, 76)), _measured(2, 0.032, (120, 60, 88, 108, 114)))


def test_a_mean_has_the_standard_error_of_the_markets_own_ratios() -> None:
    # 90% and 80%: their standard deviation is 10/√2, so that of their mean is 5.
    assert said([percent_of(m.squares, THIS) for m in MARKETS], ".2f") == "85.00 ± 5.00"
    assert said([MARKETS[0].squares[THIS]], ".3f") == "0.036"


def test_coverage_is_pooled_by_sales_and_not_by_markets() -> None:
    found = pooled(MARKETS)
    assert found[""] == (200, 100, 136, 180, 190)
    assert found["channel: dealer"] == (100, 50, 68, 90, 95)


def test_groups_are_named_from_100_sales_and_6_points_on() -> None:
    # 68% of 200 and of 100 where 80% was promised; nothing else is off.
    assert [(o.group, o.level, o.share, o.sales) for o in off(MARKETS)] == [
        ("all sales", 0.8, 0.68, 200),
        ("channel: dealer", 0.8, 0.68, 100),
    ]
    assert off(MARKETS)[1].error == pytest.approx(0.04)
    assert [o.group for o in off(MARKETS[1:])] == ["all sales"]  # the dealers' sales are 60 there
    close = replace(MARKETS[0], inside={"": (100, 55, 75, 90, 95)})
    assert off([close]) == []


def test_the_table_shows_each_kind_with_means_and_errors() -> None:
    text = as_text([*MARKETS, _measured(1, 0.05, (200, 100, 160, 180, 190), "entangled-large")])
    rows = [" ".join(line.split()) for line in text.splitlines()]
    assert "additive 2 100.0 ± 0.0 85.0 ± 5.0 50.0 ± 0.0 100.0 ± 0.0 75.0 ± 0.0" in rows
    assert "entangled-large 1 100.0 125.0 50.0 100.0 75.0" in rows
    assert "entangled-large 0.2000 0.2000 0.2236 10.00 9.00 8.00" in rows
    assert "entangled-large 200 50.0 80.0 90.0 95.0 1.010 0.990 1.020 1.010 -0.020 -0.010" in rows
    assert "additive, all sales 200 80% 68.0% ± 2.8%" in rows
    assert "woven" not in text


def test_a_shift_of_all_errors_is_no_scatter() -> None:
    errors = np.array([-0.1, 0.0, 0.2])
    assert scattered(errors + 7) == pytest.approx((0.01 + 0.04) / 3)


def test_what_lies_in_a_range_is_counted_by_group() -> None:
    m = market(3, 600)
    sales = m.holdout[:40]
    center = np.zeros(40)
    paid = np.linspace(-1.0, 1.0, 40)
    edges = np.array([0.3, 0.5, 0.7, 0.9])
    judged = Judged(sales, paid, center, -edges + center[:, None], edges + center[:, None], _words(40))
    found = inside(judged)
    assert found[""] == (40, *(int((np.abs(paid) <= edge).sum()) for edge in edges))
    dealers = np.array([sale.channel == "dealer" for sale in sales])
    assert found["channel: dealer"] == (
        int(dealers.sum()),
        *(int((np.abs(paid[dealers]) <= edge).sum()) for edge in edges),
    )


def _words(count: int) -> tuple[EvidenceWeight, ...]:
    return tuple(EvidenceWeight("several", 3, 3.0) for _ in range(count))


def test_where_the_market_went_is_what_one_specimen_gains() -> None:
    m = market(3, 600)
    gone = moved(m)
    first = len(m.evidence)
    one = {name: values[first : first + len(gone)] for name, values in m.events.specimens.items()}
    channel = m.events.channel[first : first + len(gone)]
    day = np.full(len(gone), EVIDENCE_ENDS.toordinal())
    now = np.array([m.log_value[sale.id] for sale in m.holdout])
    assert gone == pytest.approx(now - m.truth.log_value(one, day, channel), abs=1e-12)
    assert np.abs(gone).max() > 0.005
    soon = [
        abs(g) for g, s in zip(gone, m.holdout, strict=True) if s.day <= EVIDENCE_ENDS + timedelta(days=9)
    ]
    assert soon and max(soon) < 0.02


def test_raw_columns_are_numbers_as_they_are_and_codes_of_levels(rows: Table) -> None:
    codes = codes_of(rows)
    x = coded(rows, codes)
    assert np.array_equal(x[:, COLUMNS.index("weight")], rows["weight"], equal_nan=True)
    assert np.isnan(x[:, COLUMNS.index("condition_neck")]).any()
    channel = x[:, COLUMNS.index("channel")]
    assert channel.tolist() == [sorted(set(rows["channel"])).index(one) for one in rows["channel"]]
    unheard = {**rows, "channel": np.full(len(channel), "barter", dtype=object)}
    assert set(coded(unheard, codes)[:, COLUMNS.index("channel")]) == {-1.0}


def test_a_run_goes_on_from_its_file_but_not_over_other_code(tmp_path: Path) -> None:
    path = tmp_path / "figures.json"
    assert kept.read(path, "a") == []
    kept.write(path, "a", MARKETS)
    assert tuple(map(MarketFigures.from_row, kept.read(path, "a"))) == MARKETS
    assert [p.name for p in tmp_path.iterdir()] == ["figures.json"]
    with pytest.raises(kept.OtherCodeError, match="another state of the code"):
        kept.read(path, "b")


def test_the_hash_of_the_code_changes_with_a_fit_and_not_with_the_table(tmp_path: Path) -> None:
    fit, table = tmp_path / "training/fit/core.py", tmp_path / FRESH / "table.py"
    measure = table.with_name("measure.py")
    for path in (fit, table, measure):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("one")
    before = kept.code_hash(tmp_path, studies=[FRESH])
    table.write_text("two")
    assert kept.code_hash(tmp_path, studies=[FRESH]) == before
    for path in (fit, measure):
        path.write_text("two")
        assert kept.code_hash(tmp_path, studies=[FRESH]) != before
        path.write_text("one")


def test_one_fit_gives_the_model_that_is_served_and_its_rivals(few: Market, rivals: Rivals) -> None:
    served = fit_model(few.evidence, few.catalogue, few.rates, progress=False).model
    subjects = [sale.subject for sale in few.holdout]
    one, other = (model.estimate(subjects, (0.5, 0.9)) for model in (served, rivals.this))
    assert np.array_equal(one.center, other.center) and np.array_equal(one.low, other.low)
    trees = served.core.trees
    assert trees is not None and trees.weight > 0
    assert rivals.alone.core.trees is None
    spreads = [model.core.spread for model in (rivals.alone, rivals.this)]
    assert not np.array_equal(*(spread.shape for spread in spreads if spread))
    assert not np.array_equal(rivals.alone.center(subjects), one.center)
    # With trees of no weight nothing but the backbone is left.
    mute = replace(served, core=replace(served.core, trees=replace(trees, weight=0.0)))
    assert np.allclose(mute.center(subjects), rivals.alone.center(subjects), atol=1e-12)
    raw = rivals.raw_center(subjects) - rivals.alone.center(subjects)
    assert 0 < np.abs(raw).max() < 0.5
    louder = replace(rivals, raw=replace(rivals.raw, weight=2 * rivals.raw.weight))
    assert np.allclose(louder.raw_center(subjects) - rivals.alone.center(subjects), 2 * raw)


@pytest.fixture(scope="module")
def few() -> Market:
    return market(3, 150, "entangled")


@pytest.fixture(scope="module")
def rivals(few: Market) -> Rivals:
    return fit_rivals(few)


@pytest.fixture(scope="module")
def rows(few: Market) -> Table:
    return columns([e.subject for e in few.evidence], few.catalogue, typical_of(few.evidence, few.catalogue))
