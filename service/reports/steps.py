"""The steps from the typical instrument's value to the conclusion, as a table that adds up to the cent."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from models.domain.vocabulary import Family
from models.insights.sentences import head_of, words_of
from models.valuation.factors import Factor
from models.valuation.valuer import Valuation
from service.reports.conclusion import ConcludedFigure
from service.reports.kinds import MARKETS, VALUE_TYPES
from service.reports.wording import day_in_words, percent


def steps(
    type_of_value: str,
    valuation: Valuation,
    share: Decimal | None,
    figures: tuple[ConcludedFigure, ...],
    is_adjusted: bool,
) -> list[dict[str, str]]:
    """Return rows of text and amount: each `sum` is the row above it that begins or sums, plus all between.

    An auction estimate has two ends, which are no steps: its rows end at the middle estimate.
    """
    it, day = valuation.instrument, day_in_words(valuation.day)
    rows = [
        _row(
            "start",
            f"A typical {it.maker} {it.model} on {day}, {MARKETS[valuation.channel]}",
            valuation.reference_value,
        )
    ]
    for family in valuation.families:
        rows += [_row("step", _told(f), f.amount, family.family) for f in family.factors if f.amount]
    rows.append(_row("sum", "The price model's middle estimate of this instrument", valuation.value))
    if type_of_value == "auction_estimate":
        return rows
    (figure,) = figures
    if figure.model != valuation.value:
        below = percent(float(share or 0))
        rows.append(
            _row(
                "step",
                f"Down to the price that {below} of such sales are expected to stay below",
                figure.model - valuation.value,
            )
        )
        rows.append(_row("sum", f"The price model's {VALUE_TYPES[type_of_value].label}", figure.model))
    if is_adjusted:
        text = "The specialist's own adjustment, which is not the price model's"
        rows.append(_row("adjustment", text, figure.adjustment))
        rows.append(_row("sum", "The value concluded", figure.concluded))
    return rows


def _row(kind: str, text: str, amount: Decimal, family: Family | None = None) -> dict[str, Any]:
    return {"kind": kind, "text": text, "amount": str(amount), "family": family.value if family else ""}


def _told(factor: Factor) -> str:
    seen, typical = (words_of(factor.field, value) for value in (factor.observed, factor.reference))
    differs = f" (typical: {typical})" if factor.observed != factor.reference and factor.reference else ""
    return f"{head_of(factor.field)}: {seen}{differs}"
