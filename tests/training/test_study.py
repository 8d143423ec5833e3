"""Judging a model: groups, the split by time, and figures that can be counted by hand."""

from datetime import date, timedelta

import numpy as np
import pytest
from fitted_fake import fit_fake

from models.study.groups import THIRDS, price_thirds, unknown_share
from models.study.judge import Judged, figures, judge, only_sales, study
from training.demo.market import Market
from training.study.holdout import LEAST, MOST, split_by_time
from training.study.table import as_text


@pytest.fixture(scope="module")
def judged(small_market: Market) -> Judged:
    model = fit_fake(small_market.evidence, small_market.catalogue, small_market.rates)
    return judge(model, small_market.holdout, small_market.rates)


def test_groups_part_the_sales(judged: Judged) -> None:
    """Every grouping holds every sale once."""
    found = study(judged, draws=0)
    assert set(found["groups"]) == {"price", "channel", "build", "edition", "unknown", "evidence"}
    for groups in found["groups"].values():
        assert sum(f["sales"] for f in groups.values()) == len(judged.paid) == found["overall"]["sales"]


def test_price_thirds_go_by_the_estimate() -> None:
    assert price_thirds(np.array([5.0, 1.0, 3.0, 2.0, 9.0, 4.0])) == [THIRDS[i] for i in (2, 0, 1, 0, 2, 1)]


def test_how_much_is_unknown(small_market: Market) -> None:
    sale = small_market.holdout[0]
    named = {f: None for f in sale.instrument._fields if f.startswith(("condition", "originality"))}
    assert len(named) == 18
    bare = sale.__class__(
        **{k: getattr(sale, k) for k in sale.__slots__ if k != "instrument"},
        instrument=sale.instrument.but(**named),
    )
    assert unknown_share(bare) == "more than six tenths"
    grades = {f: 1.0 for f in named if f.startswith("condition")} | {
        "condition_electronics": "working",
        "condition_structure": "sound",
    }
    half = bare.__class__(
        **{k: getattr(bare, k) for k in bare.__slots__ if k != "instrument"},
        instrument=bare.instrument.but(**grades),
    )
    assert unknown_share(half) == "up to six tenths"


def test_figures_are_those_of_their_definitions(judged: Judged) -> None:
    found = figures(judged, draws=0)
    left = judged.center - judged.paid
    assert found["rmse_log"]["value"] == pytest.approx(np.sqrt((left**2).mean()))
    assert found["median_error"]["value"] == pytest.approx(100 * np.median(abs(np.exp(left) - 1)))
    k = judged.levels.index(0.8)
    inside = [a <= y <= b for a, y, b in zip(judged.low[:, k], judged.paid, judged.high[:, k], strict=True)]
    assert found["coverage"]["0.8"] == pytest.approx(np.mean(inside))


def test_a_level_is_judged_by_the_sales_that_have_a_range_of_it(judged: Judged) -> None:
    k, last = judged.levels.index(0.8), len(judged.paid) - 1
    low, high = judged.low.copy(), judged.high.copy()
    low[:last, k] = high[:last, k] = np.nan
    low[:, 0] = high[:, 0] = np.nan
    found = figures(Judged(judged.sales, judged.paid, judged.center, low, high, judged.weights), draws=0)
    inside = low[last, k] <= judged.paid[last] <= high[last, k]
    assert found["coverage"]["0.8"] == float(inside)
    assert f"{judged.levels[0]:g}" not in found["coverage"]
    assert found["coverage"]["0.9"] == figures(judged, draws=0)["coverage"]["0.9"]


def test_order_of_sales_does_not_matter(judged: Judged) -> None:
    back = slice(None, None, -1)
    other = Judged(
        judged.sales[back],
        judged.paid[back],
        judged.center[back],
        judged.low[back],
        judged.high[back],
        judged.weights[back],
    )
    one, two = study(judged, draws=0), study(other, draws=0)
    assert one["overall"]["median_ratio"]["value"] == two["overall"]["median_ratio"]["value"]
    assert {g: [f["sales"] for f in v.values()] for g, v in one["groups"].items()} == {
        g: [f["sales"] for f in v.values()] for g, v in two["groups"].items()
    }


def test_joined_judgements_must_share_levels(judged: Judged) -> None:
    both = judged + judged
    assert len(both.sales) == len(both.paid) == 2 * len(judged.sales)
    with pytest.raises(ValueError, match="levels"):
        judged + Judged(
            judged.sales,
            judged.paid,
            judged.center,
            judged.low[:, :1],
            judged.high[:, :1],
            judged.weights,
            (0.5,),
        )


def test_no_sales_cannot_be_judged_by(small_market: Market) -> None:
    model = fit_fake(small_market.evidence, small_market.catalogue, small_market.rates)
    with pytest.raises(ValueError, match="at least one"):
        judge(model, [], small_market.rates)


def test_split_keeps_later_sales_out_and_nothing_later_in(small_market: Market) -> None:
    split = split_by_time(small_market.evidence)
    assert split.first is not None
    assert max(row.day for row in split.before) < split.first <= min(sale.day for sale in split.kept)
    assert all(sale.kind == "sale" for sale in split.kept)
    sales = len(only_sales(small_market.evidence))
    assert LEAST <= len(split.kept) <= MOST * sales + 5
    assert len(only_sales(split.before)) + len(split.kept) == sales
    last = max(sale.day for sale in split.kept)
    assert last - split.first <= timedelta(days=10 * 31)


def test_a_burst_of_late_sales_is_not_all_kept_out(small_market: Market) -> None:
    rows = [row for row in small_market.evidence if row.day > date(2024, 1, 1)]
    assert len(only_sales(rows)) >= 2 * LEAST
    split = split_by_time(rows, 120)
    assert split.first is not None
    assert len(split.kept) <= MOST * len(only_sales(rows)) + 5


def test_few_sales_are_not_split(small_market: Market) -> None:
    rows = only_sales(small_market.evidence)[: 2 * LEAST - 1]
    assert split_by_time(rows) == split_by_time(rows, 0)
    assert split_by_time(rows).first is None


def test_text_names_every_group_and_figure(judged: Judged) -> None:
    text = as_text(study(judged, draws=50))
    assert "channel: auction" in text
    assert "median_ratio" in text
    assert len({len(line) for line in text.splitlines()[2:10]}) == 1
