"""The places of price models and of files, as the settings name them."""

from __future__ import annotations

from models.bundles.access import Access
from models.bundles.places import Store, store_at
from service.settings import Settings


def access_of(settings: Settings) -> Access:
    """Return how an S3-compatible store is reached."""
    return Access(
        files_endpoint=settings.files_endpoint,
        files_region=settings.files_region,
        files_key_id=settings.files_key_id,
        files_key_secret=settings.files_key_secret,
        store_cache=settings.store_cache,
    )


def store_of(settings: Settings) -> Store:
    """Return the store of price models."""
    return store_at(settings.store, access_of(settings))
