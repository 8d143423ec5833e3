"""All that a report says, as one plain structure; its canonical JSON is what the digest is of."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

import orjson

from models.domain.instrument import Instrument
from models.domain.vocabulary import FIELDS, Family
from models.insights.comparables import Comparables
from models.insights.questions import Question
from models.insights.sentences import head_of, words_of
from models.valuation.caution_texts import Caution
from models.valuation.valuer import Valuation
from service.reports.assumptions import assumptions
from service.reports.conclusion import ConcludedFigure
from service.reports.evidence import evidence
from service.reports.kinds import MARKET_LEVELS, MARKETS, VALUE_TYPES, MarketOfValue
from service.reports.steps import steps
from service.reports.wording import VIEWS, percent

FORM = 1  # of this structure; a reader of old reports can tell


@dataclass(frozen=True)
class Photograph:
    """One photograph that a report shows. `digest`: SHA-256 of the stored file."""

    view: str
    digest: str
    width: int
    height: int


@dataclass(frozen=True)
class Replaced:
    """The report that a correction replaces, and the reason."""

    id: str
    version: int
    reason: str


@dataclass(frozen=True)
class Told:
    """The words of the specialist and of the owner, beside all figures.

    `settings`: those of `service.reports.specialist`. `in_hand`: paths of fields to be inspected in hand.
    `adjustment`: the reason of the specialist's own adjustment, None if there is none. `extraordinary`,
    `hypothetical`: assumptions and conditions of the specialist's own.
    """

    client: str
    intended_use: str
    settings: Mapping[str, str]
    photographs: Sequence[Photograph] = ()
    in_hand: Sequence[str] = ()
    adjustment: str | None = None
    extraordinary: str | None = None
    hypothetical: str | None = None


@dataclass(frozen=True)
class Found:
    """The findings of the price model and its evidence."""

    type_of_value: str
    market: MarketOfValue
    share: Decimal | None
    valuation: Valuation
    figures: tuple[ConcludedFigure, ...]
    comparables: Comparables
    questions: Sequence[Question]
    sentences: Sequence[tuple[str | None, str]]
    cautions: Sequence[Caution]


@dataclass(frozen=True)
class Issue:
    """One report to be issued on a day."""

    id: str
    version: int
    day: date
    told: Told
    found: Found
    replaces: Replaced | None = None


def canonical(content: Mapping[str, Any]) -> bytes:
    """Return the content as JSON with sorted names, in UTF-8: always the same bytes for the same content."""
    return orjson.dumps(content, option=orjson.OPT_SORT_KEYS)


def digest_of(data: bytes) -> str:
    """Return the SHA-256 of these bytes in hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def content_of(issue: Issue) -> dict[str, Any]:
    """Return all that a report says."""
    told, found = issue.told, issue.found
    own = told.settings
    return {
        "form": FORM,
        "language": "en",
        "report": _report(issue),
        "client": told.client,
        "intended_users": own["intended_users"],
        "intended_use": told.intended_use,
        "property": _property(issue),
        "interest": own["interest"],
        "type_of_value": _type(found),
        "effective_date": found.valuation.day.isoformat(),
        "report_date": issue.day.isoformat(),
        "scope_of_work": own["scope_of_work"],
        "assistance": own["assistance"],
        "exclusions": own["exclusions"],
        "evidence": evidence(found.valuation, found.comparables),
        "steps": steps(
            found.type_of_value, found.valuation, found.share, found.figures, told.adjustment is not None
        ),
        "reasons": [text for _, text in found.sentences],
        "opinion": _opinion(issue),
        "use": own["use"],
        "market_level": f"{MARKET_LEVELS[found.market.channel].capitalize()}.",
        "assumptions": assumptions(
            found.type_of_value, found.valuation, told.extraordinary, told.hypothetical
        ),
        "questions": [{"label": q.label, "how": q.how} for q in found.questions],
        "cautions": [{"code": c.code, "text": c.text, "as_of": c.as_of.isoformat()} for c in found.cautions],
        "certification": _certification(issue),
        "price_model": {"version": found.valuation.model_version, "provisional": found.valuation.provisional},
    }


def _report(issue: Issue) -> dict[str, Any]:
    replaced = issue.replaces
    return {
        "id": issue.id,
        "version": issue.version,
        "replaces": None
        if replaced is None
        else {"id": replaced.id, "version": replaced.version, "reason": replaced.reason},
    }


def _property(issue: Issue) -> dict[str, Any]:
    it = issue.found.valuation.instrument
    groups = {
        "Identity and rarity": (Family.IDENTITY, Family.RARITY),
        "Condition": (Family.CONDITION,),
        "Originality": (Family.ORIGINALITY,),
        "Provenance": (Family.PROVENANCE,),
    }
    return {
        "summary": named(it),
        "instrument": it.to_nested(),
        "parts": [{"group": name, "fields": _fields(issue, families)} for name, families in groups.items()],
        "inspect_in_hand": [head_of(path) for path in issue.told.in_hand],
        "photographs": [
            {"view": VIEWS.get(p.view, p.view), "digest": p.digest, "width": p.width, "height": p.height}
            for p in issue.told.photographs
        ],
    }


def _fields(issue: Issue, families: tuple[Family, ...]) -> list[dict[str, Any]]:
    valuation = issue.found.valuation
    return [
        {
            "field": field.path,
            "label": head_of(field.path),
            "here": words_of(field.path, valuation.instrument.get(field)),
            "typical": ""
            if field.path in ("maker", "model", "serial", "edition_number")
            else words_of(field.path, valuation.reference.get(field)),
            "in_hand": field.path in issue.told.in_hand,
        }
        for field in FIELDS
        if field.family in families
    ]


def named(it: Instrument) -> str:
    """Return an instrument's name as a heading has it: year, maker, model, edition, finish."""
    edition = f"{it.edition} edition" if it.edition else None
    return " ".join(str(word) for word in (it.year, it.maker, it.model, edition, it.finish) if word)


def _type(found: Found) -> dict[str, Any]:
    kind = VALUE_TYPES[found.type_of_value]
    signed = (
        f"; that share is {percent(float(found.share))}, as the specialist has set"
        if found.type_of_value == "liquidation" and found.share is not None
        else ""
    )
    return {
        "name": found.type_of_value,
        "label": kind.label,
        "definition": kind.definition,
        "source": kind.source,
        "figure": kind.figure + signed,
        "channel": found.market.channel,
        "market": MARKETS[found.market.channel],
        "why_this_market": found.market.reason,
    }


_MEANINGS = {0.5: "half", 0.8: "eight in ten", 0.95: "nineteen in twenty"}


def _opinion(issue: Issue) -> dict[str, Any]:
    found = issue.found
    valuation = found.valuation
    return {
        "currency": valuation.currency,
        "rate_day": valuation.rate_day.isoformat(),
        "rate_source": valuation.rate_source,
        "middle": str(valuation.value),
        "figures": [
            {
                "name": figure.name,
                "model": str(figure.model),
                "adjustment": str(figure.adjustment),
                "concluded": str(figure.concluded),
            }
            for figure in found.figures
        ],
        "adjustment_reason": issue.told.adjustment,
        "ranges": [
            {
                "share": percent(interval.level),
                "meaning": f"the price is expected to lie in it in {_MEANINGS[interval.level]} of such sales",
                "low": str(interval.low),
                "high": str(interval.high),
            }
            for interval in valuation.intervals
            if interval.level in _MEANINGS
        ],
    }


def _certification(issue: Issue) -> dict[str, Any]:
    own = issue.told.settings
    names = ("name", "business", "address", "email", "qualifications", "signature")
    return {
        **{name: own.get(name, "") for name in names},
        "text": own["certification"],
        "date": issue.day.isoformat(),
    }
