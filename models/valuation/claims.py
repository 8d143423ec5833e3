"""Claims: details that add much to a value and that only documents can prove."""

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from models.valuation.factors import Factor

# A detail that adds at least this share of the value is a claim: a buyer asks for proof (common practice).
LEAST_SHARE = Decimal("0.1")

# Path of each field that documents can prove → the documents that prove it.
PROOFS = {
    "edition": (
        "a certificate or label of the maker that names the edition, and a serial number that the maker's "
        "records give to it"
    ),
    "edition_number": (
        "a photograph of the number where the maker put it, and a certificate or invoice with the same number"
    ),
    "build": (
        "a letter of the maker, an order form or a work sheet of the time that names this instrument by its "
        "serial number"
    ),
    "figure": (
        "sharp photographs of the whole top in daylight, tilted to both sides, with the serial number in one"
    ),
    "provenance.history": (
        "receipts, letters, dated photographs or film that show the owner with this very instrument"
    ),
}


@dataclass(frozen=True)
class Claim:
    """A detail that adds much to a value and that only documents can prove.

    `amount`: the money that it adds to the value. `share`: amount / value. `proof`: the documents needed.
    """

    field: str
    label: str
    amount: Decimal
    share: float
    proof: str


def claims_of(factors: Iterable[Factor], value: Decimal) -> tuple[Claim, ...]:
    """Return the claims among these factors of a value (in money), the largest first."""
    least = LEAST_SHARE * value
    found = [
        Claim(f.field, f.label, f.amount, float(f.amount / value), PROOFS[f.field])
        for f in factors
        if f.field in PROOFS and f.observed is not None and f.amount >= least
    ]
    return tuple(sorted(found, key=lambda claim: -claim.amount))
