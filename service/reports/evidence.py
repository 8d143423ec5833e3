"""The evidence behind a value: how much there is, and the grid that brings each sale to this instrument."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from models.domain.vocabulary import BY_PATH
from models.insights.comparables import Adjustment, Comparable, Comparables
from models.insights.sentences import head_of, words_of
from models.price.interface import EVIDENCE_WORDS
from models.valuation.valuer import Valuation
from service.reports.wording import KINDS, day_in_words, percent


def evidence(valuation: Valuation, found: Comparables) -> dict[str, Any]:
    """Return how much evidence there is, and each comparable with all its lines.

    `found`: with a `text` on each of its adjustments.
    """
    weight = valuation.evidence
    return {
        "word": weight.word,
        "meaning": EVIDENCE_WORDS[weight.word],
        "direct_sales": weight.direct_sales,
        "last": valuation.last_evidence.isoformat() if valuation.last_evidence else None,
        "sales": [_comparable(c) for c in found.sales],
        "beside": [_comparable(c) for c in found.beside],
        "reconciled": None if found.reconciled is None else str(found.reconciled),
        "difference": None if found.difference is None else percent(found.difference),
        "set_aside": len(found.set_aside),
        "note": found.note,
    }


def _comparable(found: Comparable) -> dict[str, Any]:
    grid, it = found.grid, found.instrument
    about = [str(word) for word in (it.year, it.edition, it.finish) if word]
    return {
        "id": found.id,
        "kind": KINDS[found.kind],
        "day": day_in_words(found.day),
        "channel": found.channel,
        "about": ", ".join(about),
        "same_edition_and_build": found.same_edition_and_build,
        "same_instrument": found.same_instrument,
        "paid": f"{found.price:,} {found.currency}",
        "price": str(grid.price),
        "market": _lines(found, grid.market),
        "today": str(grid.today),
        "lines": _lines(found, grid.lines),
        "adjusted": str(grid.adjusted),
        "net": percent(grid.net),
        "gross": percent(grid.gross),
        "weight": percent(found.share),
    }


def _lines(found: Comparable, lines: Sequence[Adjustment]) -> list[dict[str, str]]:
    """Return the lines with their sentences, and `there`: the state of the field on the one sold."""
    return [
        {
            "field": line.field,
            "label": head_of(line.field),
            "there": _there(found, line.field),
            "text": getattr(line, "text", ""),
            "amount": str(line.amount),
        }
        for line in lines
    ]


def _there(found: Comparable, path: str) -> str:
    if path not in BY_PATH:
        return ""  # its day and market head the column
    return words_of(path, found.instrument.get(BY_PATH[path]))
