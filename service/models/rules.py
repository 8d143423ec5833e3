"""The model card of the bundle that serves."""

from __future__ import annotations

from models.errors import BundleMissingError
from service.context import bundle
from service.errors import NoCardError


def card(name: str) -> bytes:
    """A file of the current bundle's card, to the byte. Raises NoCardError, NoBundleError."""
    found = bundle()
    try:
        return found.file(name)
    except BundleMissingError:
        raise NoCardError(f"The model {found.version} was made without a card.") from None
