"""The figures of many markets side by side, as text."""

import math
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from models.domain.vocabulary import DEFAULT_LEVELS
from models.study.judge import SCORE_LEVEL
from training.study.table import aligned
from training.yardstick.fresh.measure import ALONE, KINDS, RAW, THIS, TRUTH, MarketFigures

LEAST_SALES = 100  # least number of a group's sales, over all markets of a kind, to check its coverage
MOST_OFF = 0.06  # largest difference of coverage from the level that is not listed

Row = tuple[str, ...]
Get = Callable[[MarketFigures], float]


class Off(NamedTuple):
    """A group of sales in which the `share` of prices inside the ranges differs from their `level`.

    `error`: the standard error of the share by chance.
    """

    group: str
    level: float
    share: float
    sales: int
    error: float


def said(values: Sequence[float], form: str) -> str:
    """The mean of a figure over markets and its standard error, as text."""
    mean = f"{np.mean(values):{form}}"
    if len(values) < 2:
        return mean
    error = float(np.std(values, ddof=1)) / math.sqrt(len(values))
    return f"{mean} ± {error:{form.lstrip('+')}}"


def _said(markets: Sequence[MarketFigures], get: Get, form: str) -> str:
    return said([get(market) for market in markets], form)


def percent_of(figures: Mapping[str, float], name: str) -> float:
    """Return a model's figure in per cent of that of the model without trees (`ALONE`)."""
    return 100 * figures[name] / figures[ALONE]


def pooled(markets: Sequence[MarketFigures]) -> dict[str, tuple[int, ...]]:
    """Return group → its number of sales over all markets, then those inside the range of each level."""
    out: dict[str, tuple[int, ...]] = {}
    for market in markets:
        for group, counts in market.inside.items():
            before = out.get(group, (0,) * len(counts))
            out[group] = tuple(a + b for a, b in zip(before, counts, strict=True))
    return out


def off(markets: Sequence[MarketFigures]) -> list[Off]:
    """Return the groups of `LEAST_SALES` or more whose coverage is off its level by more than `MOST_OFF`."""
    out = []
    for group, (sales, *hits) in pooled(markets).items():
        for level, held in zip(DEFAULT_LEVELS, hits, strict=True):
            if sales >= LEAST_SALES and abs(held / sales - level) > MOST_OFF:
                error = math.sqrt(level * (1 - level) / sales)
                out.append(Off(group or "all sales", level, held / sales, sales, error))
    return out


def as_text(markets: Sequence[MarketFigures]) -> str:
    """Return the whole table, with kinds in the order of `KINDS`."""
    kinds = {kind: [m for m in markets if m.kind == kind] for kind in KINDS}
    kinds = {kind: own for kind, own in kinds.items() if own}
    text = []
    for title, head, row in _BLOCKS:
        lines = aligned([("", *head), *((kind, *row(own)) for kind, own in kinds.items())])
        text.append("\n".join([title, *lines]))
    return "\n\n".join([*text, _groups(kinds)])


def line(m: MarketFigures) -> str:
    """Summarize one market in a line, to be printed as soon as it is done."""
    raw, this = (percent_of(m.squares, name) for name in (RAW, THIS))
    score = percent_of(m.score, THIS)
    return (
        f"{m.kind} {m.seed}: raw {raw:.1f}%, this {this:.1f}%, score {score:.1f}% of the backbone alone; "
        f"weight of trees {m.weight[RAW]:.2f} raw, {m.weight[THIS]:.2f} this; {m.seconds:.0f} s"
    )


def _relative(markets: Sequence[MarketFigures]) -> Row:
    gets: tuple[Get, ...] = (
        lambda m: percent_of(m.squares, RAW),
        lambda m: percent_of(m.squares, THIS),
        lambda m: percent_of(m.scatter, RAW),
        lambda m: percent_of(m.scatter, THIS),
        lambda m: percent_of(m.score, THIS),
    )
    return (str(len(markets)), *(_said(markets, get, ".1f") for get in gets))


def _absolute(markets: Sequence[MarketFigures]) -> Row:
    return (
        *(said([math.sqrt(m.squares[name]) for m in markets], ".4f") for name in _THREE),
        *(said([m.error[name] for m in markets], ".2f") for name in _THREE),
    )


def _level(markets: Sequence[MarketFigures]) -> Row:
    sales, *hits = pooled(markets)[""]
    gets: tuple[tuple[Get, str], ...] = (
        (lambda m: m.ratio[THIS], ".3f"),
        (lambda m: m.ratio_then[THIS], ".3f"),
        (lambda m: m.prd[THIS], ".3f"),
        (lambda m: m.prd[TRUTH], ".3f"),
        (lambda m: m.prb[THIS], "+.3f"),
        (lambda m: m.prb[TRUTH], "+.3f"),
    )
    shares = (f"{100 * held / sales:.1f}" for held in hits)
    return (str(sales), *shares, *(_said(markets, get, form) for get, form in gets))


_THREE = (ALONE, RAW, THIS)
# Each block of the table: its title, its headings, and the function that makes the row of a kind.
_BLOCKS: tuple[tuple[str, Row, Callable[[Sequence[MarketFigures]], Row]], ...] = (
    (
        "In per cent of the backbone alone: mean squared log error, the same about the errors' median, and\n"
        f"the score of {SCORE_LEVEL:.0%} ranges (those of the backbone alone by a spread fitted for it)",
        ("markets", "raw", "this", "raw about median", "this about median", "score"),
        _relative,
    ),
    (
        "RMSE of the log price, and median absolute error in per cent",
        (*(f"RMSE {name}" for name in _THREE), *(f"error {name}" for name in _THREE)),
        _absolute,
    ),
    (
        "Of this, the share of sales in its ranges; the median of value over price (ratio), and of the\n"
        "value on the evidence's last day over the price less what the market did since (then); PRD and\n"
        "PRB, and those of the true values",
        (
            *("sales", *(f"{level:.0%}" for level in DEFAULT_LEVELS)),
            *("ratio", "then", "PRD", "true PRD", "PRB", "true PRB"),
        ),
        _level,
    ),
)


def _groups(kinds: Mapping[str, Sequence[MarketFigures]]) -> str:
    title = (
        f"Groups of {LEAST_SALES} sales or more whose coverage is off by more than {100 * MOST_OFF:g} points"
    )
    found = [(kind, one) for kind, own in kinds.items() for one in off(own)]
    rows = [
        (f"{kind}, {one.group}", str(one.sales), f"{one.level:.0%}", f"{one.share:.1%} ± {one.error:.1%}")
        for kind, one in found
    ]
    return "\n".join([title, *aligned([("", "sales", "range", "held"), *rows])]) if rows else title + ": none"
