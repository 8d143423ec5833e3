"""The assumptions and conditions under which a value holds, and the details that documents must prove."""

from __future__ import annotations

from typing import Any

from models.insights.sentences import head_of
from models.valuation.valuer import Valuation
from service.reports.wording import percent

_DESCRIBED = (
    "That the owner's description and photographs show this very instrument as it is. It was graded from "
    "them; where they mislead, the value is another one."
)
_OWNED = "That the owner has good title to it, and that its serial number was not altered."
_FORCED = (
    "That the owner has to sell within a short time, which need not be so: a liquidation value describes "
    "that sale alone."
)


def assumptions(
    type_of_value: str, valuation: Valuation, extraordinary: str | None, hypothetical: str | None
) -> dict[str, Any]:
    """Return all assumptions and conditions; the last two arguments are the specialist's own."""
    taken = [
        f"{head_of(one.field)} was not given and was taken to be: {one.value}. {_sentence(one.reason)}"
        for one in valuation.assumed
    ]
    proved = [
        f"That documents prove: {claim.label}. It adds {claim.amount:,} {valuation.currency}."
        for claim in valuation.claims
    ]
    conditions = [_FORCED] if type_of_value == "liquidation" else []
    return {
        "extraordinary": [*_own(extraordinary), _DESCRIBED, _OWNED, *proved, *taken],
        "hypothetical": [*_own(hypothetical), *conditions],
        "claims": [
            {
                "label": head_of(claim.field),
                "amount": str(claim.amount),
                "share": percent(claim.share),
                "proof": claim.proof,
            }
            for claim in valuation.claims
        ],
    }


def _own(text: str | None) -> list[str]:
    return [text] if text else []


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}".rstrip(".") + "."
