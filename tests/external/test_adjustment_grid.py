"""The sales comparison grid, by hand, in the usual order: time first and compounded, then physical lines.

A 10,000, time +4%, lines −10% and +5% of 10,400: 9,880; net −1.2%;
  gross (400 + 1,040 + 520) / 10,000 = 19.6%.
B 8,800, no time, +8%: 9,504; net and gross 8.0%.
C 11,500, time +6%, lines −15% and −5% of 12,190: 9,752; net −15.2%;
  gross (690 + 1,828.50 + 609.50) / 11,500.
Weights 1 / gross: (9,880/.196 + 9,504/.08 + 9,752/.272) / (1/.196 + 1/.08 + 1/.272) = 9,637.00.
The 15% net and 25% gross flags: a lenders' guideline withdrawn in December 2014.
"""

from __future__ import annotations

from decimal import Decimal

import pytest

from models.insights.comparables import Step, adjust, reconcile
from models.insights.comparables.grid import weights

A = adjust(
    Decimal("10000.00"), [Step("day", 0.04)], [Step("condition.neck", -0.10), Step("figure", 0.05)], "USD"
)
B = adjust(Decimal("8800.00"), [Step("day", 0.0)], [Step("condition.neck", 0.08)], "USD")
C = adjust(
    Decimal("11500.00"), [Step("day", 0.06)], [Step("condition.neck", -0.15), Step("figure", -0.05)], "USD"
)


@pytest.mark.parametrize(
    ("grid", "adjusted", "net", "gross", "flags"),
    [
        (A, "9880.00", -0.012, 0.196, ()),
        (B, "9504.00", 0.08, 0.08, ()),
        (C, "9752.00", -0.152, 0.272, ("large_net_adjustment", "large_gross_adjustment")),
    ],
)
def test_each_grid_is_the_one_made_by_hand(grid, adjusted, net, gross, flags) -> None:
    assert grid.adjusted == Decimal(adjusted)
    assert grid.net == pytest.approx(net, abs=1e-12)
    assert grid.gross == pytest.approx(gross, abs=1e-12)
    assert grid.flags == flags


def test_the_amounts_are_those_made_by_hand() -> None:
    assert [line.amount for line in (*A.market, *A.lines)] == [Decimal(400), Decimal(-1040), Decimal(520)]
    assert A.today == Decimal(10400)
    assert [line.amount for line in C.lines] == [Decimal("-1828.50"), Decimal("-609.50")]
    assert B.market == ()


def test_the_reconciled_figure_weighs_by_inverse_gross_adjustment() -> None:
    assert reconcile([A, B, C]) == Decimal("9637.00")
    assert weights([A, B, C]) == pytest.approx(
        (0.239774, 0.587447, 0.172779), abs=1e-6
    )  # 5.10204 of 21.2785 …
