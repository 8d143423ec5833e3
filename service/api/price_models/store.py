"""The store of price models as a request finds it, and its errors as the service's own."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from models.bundles.registry import Registry
from models.errors import BundleChangedError, BundleError, BundleMissingError, NoEarlierError
from service.context import context
from service.errors import ModelRefusedError, ModelStoreError, NoEarlierModelError, UnknownModelError


def registry() -> Registry:
    """The store."""
    return Registry(context().settings.store)


def current() -> str | None:
    """The version that is current, if any."""
    try:
        return registry().current().version
    except BundleError:  # none, or CURRENT is damaged: /readyz says so
        return None


def reason_of(error: BundleError) -> str:
    """Say what is wrong with a bundle."""
    # Where the store stands is nobody's business who asks over HTTP.
    return str(error).replace(str(context().settings.store), "the store")


@contextmanager
def translate_store_errors(version: str | None = None) -> Iterator[None]:
    """Raise the store's errors as the service's own."""
    try:
        yield
    except NoEarlierError:
        raise NoEarlierModelError("No price model was current before this one.") from None
    except BundleChangedError:
        raise
    except BundleMissingError as error:
        known = f"There is no price model {version[:60]!r}." if version else reason_of(error)
        raise UnknownModelError(known) from None
    except BundleError as error:
        raise ModelRefusedError(f"{reason_of(error)}.") from None
    except OSError as error:
        raise ModelStoreError(f"The store of price models: {error.strerror}.") from error
