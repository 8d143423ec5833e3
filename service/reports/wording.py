"""Words of a report for what the project keeps as codes: views of photographs, days, amounts."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

VIEWS = {
    "front": "Front",
    "back": "Back",
    "headstock_front": "Headstock, front",
    "headstock_back": "Headstock, back",
    "serial": "Serial number",
    "neck": "Neck",
    "parts": "Parts",
    "case": "Case",
    "other": "Another view",
}
# What the purpose of a request says about the use of its report; curiosity names no use.
USES = {
    "sale": "To help the client decide on a sale.",
    "purchase": "To help the client decide on a purchase.",
    "insurance": "To help the client choose the sum for which the instrument is insured.",
    "estate": "To help the client plan or settle an estate.",
    "gift": "To help the client with a gift of the instrument.",
}
KINDS = {"sale": "Sale", "asking": "Price asked", "offer": "Offer declined"}


def day_in_words(day: date) -> str:
    """Return a day as people write it."""
    return f"{day:%-d %B %Y}"


def amount(value: str | Decimal, *, signed: bool = False) -> str:
    """Return an amount as a report prints it, to the cent: 1,250.00, −212.50; `signed`: +40.00 too."""
    number = Decimal(value)
    sign = "−" if number < 0 else "+" if signed and number > 0 else ""
    return f"{sign}{abs(number):,}"


def percent(share: float) -> str:
    """Return a share as a percentage: 12.5%, −3%."""
    return f"{100 * share:.1f}".removesuffix(".0").replace("-", "−") + "%"
