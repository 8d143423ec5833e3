"""A cache of bundles that are no longer current, for requests about valuations that they made."""

from __future__ import annotations

import structlog

from models.bundles.bundle import Bundle, ModelReader, read_bundle
from models.bundles.places import Store
from models.bundles.registry import Registry
from models.errors import BookmatchError, BundleMissingError, StoreAwayError
from service.errors import BundleGoneError, ModelStoreError
from service.server.recent import RecentCache

_MOST = 2  # largest number of bundles kept loaded in one process, because each takes memory
_log = structlog.get_logger()


class BundleCache:
    """The last few bundles asked for by version; each is read and verified once while it is kept."""

    def __init__(self, store: Store, read_model: ModelReader | None = None) -> None:
        self._registry = Registry(store)
        self._read_model = read_model
        self._kept: RecentCache[str, Bundle] = RecentCache(_MOST)

    def bundle(self, version: str) -> Bundle:
        """Return the bundle of this version. Raises BundleGoneError naming it."""
        return self._kept.get(version, lambda: self._load(version))

    def _load(self, version: str) -> Bundle:
        try:
            return read_bundle(self._registry.folder(version), read_model=self._read_model)
        except StoreAwayError:
            raise ModelStoreError("The store of price models does not answer.") from None
        except BookmatchError as error:
            _log.warning("past model not read", model_version=version, why=str(error))
            state = (
                "is no longer kept" if isinstance(error, BundleMissingError) else "cannot be read any more"
            )
            raise BundleGoneError(
                f"The price model {version}, which made this valuation, {state}."
            ) from error
