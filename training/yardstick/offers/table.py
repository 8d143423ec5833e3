"""The figures of many markets beside the targets, as text."""

from collections.abc import Mapping, Sequence
from decimal import Decimal

from training.study.table import aligned
from training.yardstick.offers.measure import RISKS, OfferFigures, pooled

# Accepted risk → the least and the most share of purchases that may lose money.
TARGETS: Mapping[Decimal, tuple[float, float]] = {
    Decimal("0.2"): (0.15, 0.25),
    Decimal("0.1"): (0.07, 0.13),
}


def as_text(markets: Sequence[OfferFigures]) -> str:
    """Return a line for each market, then all of each kind together, then all markets."""
    kinds = {market.kind: [m for m in markets if m.kind == market.kind] for market in markets}
    rows = [(f"{m.kind} {m.seed}", [m]) for m in markets]
    rows += [(f"{kind}, all", own) for kind, own in kinds.items() if len(own) > 1]
    rows.append(("all markets", list(markets)))
    head = ("", "purchases", *(f"lost at {risk:.0%}" for risk in RISKS))
    title = "Purchases at the most to pay that lost money; terms: the accepted risk alone, all others 0"
    targets = (f"{risk:.0%} accepted: {low:.0%} to {high:.0%}" for risk, (low, high) in TARGETS.items())
    return "\n".join(
        [
            title,
            *aligned([head, *(_row(name, own) for name, own in rows)]),
            "",
            f"Targets: {', '.join(targets)}",
        ]
    )


def line(m: OfferFigures) -> str:
    """Summarize one market in a line, to be printed as soon as it is done."""
    shares = ", ".join(f"{m.lost[str(risk)] / m.purchases:.1%} at {risk:.0%}" for risk in RISKS)
    return f"{m.kind} {m.seed}: {shares} of {m.purchases} purchases lost money; {m.seconds:.0f} s"


def _row(name: str, markets: Sequence[OfferFigures]) -> tuple[str, ...]:
    cells = []
    for risk in RISKS:
        purchases, lost, error = pooled(markets, risk)
        low, high = TARGETS[risk]
        share = lost / purchases
        cells.append(f"{share:.1%} ± {error:.1%}{'' if low <= share <= high else ' MISSED'}")
    return (name, str(sum(market.purchases for market in markets)), *cells)
