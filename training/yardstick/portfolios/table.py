"""The figures of many markets beside the target, as text."""

import math
from collections.abc import Sequence

import numpy as np

from training.study.table import aligned
from training.yardstick.portfolios.measure import APART, ENDS, LEVEL, SHARED, SIZE, PortfolioFigures

TARGET = 0.04  # The most by which the share of totals inside may differ from the level.
_WORDS = {SHARED: "shared errors", APART: "as if independent", ENDS: "sum of ends"}


def as_text(markets: Sequence[PortfolioFigures]) -> str:
    """Return a line for each kind of market, then all markets."""
    kinds = {market.kind: [m for m in markets if m.kind == market.kind] for market in markets}
    rows = [_row(kind, own) for kind, own in kinds.items()] + [_row("all markets", markets)]
    head = ("", "portfolios", *(_WORDS[way] for way in _WORDS), "expected over paid")
    title = f"Portfolios of {SIZE}: share of true totals inside the {LEVEL:.0%} range (width, of the total)"
    target = (
        f"Target with shared errors: {LEVEL:.0%} ± {TARGET:.0%} of totals paid; in brackets: of true values"
    )
    return "\n".join([title, *aligned([head, *rows]), "", target])


def line(m: PortfolioFigures) -> str:
    """Summarize one market in a line, to be printed as soon as it is done."""
    counts = ", ".join(f"{_WORDS[way]} {m.inside[way]}" for way in _WORDS)
    return (
        f"{m.kind} {m.seed}: of {m.portfolios} inside: {counts}; off {np.mean(m.off):+.1%}; {m.seconds:.0f} s"
    )


def _row(name: str, markets: Sequence[PortfolioFigures]) -> tuple[str, ...]:
    count = sum(m.portfolios for m in markets)
    cells = []
    for way in _WORDS:
        shares = [m.inside[way] / m.portfolios for m in markets]
        # Portfolios of one market share its errors, so that the markets are what counts.
        error = np.std(shares, ddof=1) / math.sqrt(len(shares)) if len(shares) > 1 else float("nan")
        true = sum(m.inside_true[way] for m in markets) / count
        width = np.mean([m.width[way] for m in markets])
        share = sum(m.inside[way] for m in markets) / count
        missed = " MISSED" if way == SHARED and abs(share - LEVEL) > TARGET else ""
        cells.append(f"{share:.1%} ± {error:.1%}{missed} [{true:.1%}] ({width:.1%})")
    off = np.concatenate([m.off for m in markets])
    return (name, str(count), *cells, f"{off.mean():+.2%}, sd {off.std():.2%}")
