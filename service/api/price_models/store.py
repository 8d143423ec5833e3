"""Open the store of price models for a request, and turn its errors into the service's own."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from models.bundles.registry import Registry
from models.errors import BundleChangedError, BundleError, BundleMissingError, NoEarlierError, StoreAwayError
from service.context import context
from service.errors import ModelRefusedError, ModelStoreError, NoEarlierModelError, UnknownModelError


def registry() -> Registry:
    """Return the store of price models."""
    return context().live.registry


def current() -> str | None:
    """Return the version of the current price model; None if there is none."""
    try:
        return registry().current().version
    except BundleError:  # no current model, or a damaged file CURRENT: /readyz reports it
        return None


def reason_of(error: BundleError) -> str:
    """Return what is wrong with a bundle, without the store's path."""
    # Callers over HTTP must not learn in which folder the store is.
    return str(error).replace(str(context().settings.store), "the store")


@contextmanager
def translate_store_errors(version: str | None = None) -> Iterator[None]:
    """Turn the store's errors in the block into the service's own."""
    try:
        yield
    except NoEarlierError:
        raise NoEarlierModelError("No price model was current before this one.") from None
    except BundleChangedError:
        raise
    except StoreAwayError:
        raise ModelStoreError("The store of price models does not answer.") from None
    except BundleMissingError as error:
        known = f"There is no price model {version[:60]!r}." if version else reason_of(error)
        raise UnknownModelError(known) from None
    except BundleError as error:
        raise ModelRefusedError(f"{reason_of(error)}.") from None
    except OSError as error:
        raise ModelStoreError(f"The store of price models: {error.strerror}.") from error
