"""The bundle that a worker serves. When the store's file CURRENT changes, the new bundle replaces the old.

The new bundle is loaded and verified first. A damaged one is refused, and the old one keeps serving; so it
does while a store that is no folder does not answer. `LiveBundle.refused` and /readyz say why.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Hashable, Mapping
from typing import Any

import structlog

from models.bundles.bundle import Bundle, ModelReader, read_bundle
from models.bundles.places import Store
from models.bundles.registry import Current, Registry
from models.bundles.trial import check_values
from models.errors import BookmatchError, StoreAwayError
from service.errors import ModelRefusedError, NoBundleError

_AGAIN_SECONDS = 30.0  # time until a refused bundle is tried again: it may have been repaired
_log = structlog.get_logger()

_NEVER, _AWAY = object(), object()  # marks before the first look, and while a store does not answer


class LiveBundle:
    """The current bundle of a store. `look` loads it if it changed; `watch` looks again and again."""

    def __init__(self, store: Store, read_model: ModelReader | None = None) -> None:
        self.registry = Registry(store)
        self._read_model = read_model
        self._bundle: Bundle | None = None
        self._seen: Hashable = _NEVER
        self._tried = float("-inf")
        self._lock = threading.Lock()
        self.refused: str | None = None

    def bundle(self) -> Bundle:
        """Return the bundle that serves now. Raises NoBundleError if none does."""
        found = self._bundle
        if found is None:
            raise NoBundleError("No price model has been loaded yet.")
        return found

    def bundle_of(self, version: str) -> Bundle | None:
        """Return the bundle that serves now if it has this version, else None."""
        found = self._bundle
        return found if found is not None and found.version == version else None

    @property
    def version(self) -> str | None:
        """The version of the bundle that serves now; None if none serves."""
        return self._bundle.version if self._bundle else None

    @property
    def manifest(self) -> Mapping[str, Any] | None:
        """The manifest of the bundle that serves now; None if none serves."""
        found = self._bundle
        return found.manifest if found else None

    def read(self, version: str) -> Bundle:
        """Read any bundle of the store, verify it and value all of its models once.

        Raises BundleMissingError, or ModelRefusedError.
        """
        folder = self.registry.folder(version)
        try:
            found = read_bundle(folder, read_model=self._read_model)
            check_values(found)
            return found
        except Exception as error:  # a damaged bundle can raise anything
            raise ModelRefusedError(
                f"The price model {version} is refused: {self._reason(error)}."
            ) from error

    def change(self, ready: Bundle | None = None) -> None:
        """Load the current bundle, which has changed; wait if another thread is loading.

        `ready`: a bundle that was read before; it is used instead of reading if it is the current one.
        """
        with self._lock:
            self._load(self._mark(), ready)

    def look(self) -> None:
        """Load the current bundle if CURRENT has changed, or if it is time to try a refused bundle again."""
        mark = self._mark()
        again = self.refused is not None and time.monotonic() - self._tried > _AGAIN_SECONDS
        if (mark == self._seen and not again) or not self._lock.acquire(blocking=False):
            return
        try:
            self._load(mark)
        finally:
            self._lock.release()

    def _load(self, mark: Hashable, ready: Bundle | None = None) -> None:
        self._tried = time.monotonic()
        try:
            self._serve(self.registry.current(), ready)
            self.refused = None
        except StoreAwayError as error:
            mark = _AWAY  # so that it is tried again as soon as the store answers
            self._refuse(error)
            self._serve_last()
        except Exception as error:  # a damaged bundle can raise anything; the old one stays
            self._refuse(error)
        self._seen = mark

    def _serve(self, current: Current, ready: Bundle | None = None) -> None:
        version, sha256 = current
        if self._bundle is None or self._bundle.version != version:
            if ready is None or ready.version != version:
                folder = self.registry.local(version, sha256)
                ready = read_bundle(folder, sha256, read_model=self._read_model)
            ready.valuer.model.warm()  # so that the first request does not wait for it
            self._bundle = ready
            _log.info("model loaded", model_version=version)

    def _serve_last(self) -> None:
        """Serve the price model that this machine knew last as current, where the store is away."""
        if self._bundle is None:
            try:
                self._serve(self.registry.last_current())
            except Exception as error:  # a damaged copy can raise anything
                _log.warning("no copy to serve", why=self._reason(error))

    def _refuse(self, error: Exception) -> None:
        self.refused = self._reason(error)
        _log.error("model refused", why=self.refused, serving=self.version)

    def _reason(self, error: Exception) -> str:
        if not isinstance(error, BookmatchError):
            return f"unexpected {type(error).__name__}"
        # Callers over HTTP must not learn in which folder the store is.
        return str(error).replace(str(self.registry.store), "the store")

    def _mark(self) -> Hashable:
        try:
            return self.registry.mark()
        except StoreAwayError:
            return _AWAY

    def watch(self, seconds: float) -> None:
        """Call `look` every so many seconds, in a thread of its own, as long as the process lives."""
        threading.Thread(target=self._watch, args=(seconds,), name="live-bundle", daemon=True).start()

    def _watch(self, seconds: float) -> None:
        while True:
            time.sleep(seconds)
            self.look()
