"""Every error that the service raises on purpose; none knows HTTP (`service.problems` has the table)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from models.errors import BookmatchError, Fault


class Located(NamedTuple):
    """A fault, and where in the body it stands (a JSON pointer as a URI fragment; None: not in the body)."""

    pointer: str | None
    fault: Fault


class ServiceError(BookmatchError):
    """The root of the service's own errors."""


class SettingsError(ServiceError):
    """The environment does not say what the service needs."""

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(self.faults))


class StoreError(ServiceError):
    """The database does not have the tables that this program needs."""


class ArchiveError(ServiceError):
    """A backup cannot be made there, or cannot be restored."""


class BodyError(ServiceError):
    """The body is not a JSON object that can be read."""


class ContentTypeError(ServiceError):
    """The body is of another kind than JSON."""


class EncodingError(ServiceError):
    """The body is compressed in a way that the service does not read."""


class NotAcceptableError(ServiceError):
    """The caller accepts no form that the service has."""


class FaultyRequestError(ServiceError):
    """Fields are wrong: all of them, each with its pointer."""

    def __init__(self, faults: Sequence[Located]) -> None:
        self.faults = tuple(faults)
        count = len(self.faults)
        super().__init__(f"{count} field{'s are' if count > 1 else ' is'} wrong; see errors.")


class KeyMissingError(ServiceError):
    """No key was sent."""


class KeyInvalidError(ServiceError):
    """The key is not known, or was revoked."""


class ScopeError(ServiceError):
    """The key may not do this."""


class OriginError(ServiceError):
    """A website key is used from elsewhere than its own origins."""


class KeyRevokedError(ServiceError):
    """A key that was revoked cannot be rotated."""


class ShownOnceError(ServiceError):
    """The key was made by an earlier request, which was shown its secret."""

    def __init__(self, key_id: str) -> None:
        super().__init__(f"The first request with this Idempotency-Key made a secret of the key {key_id}.")


class LimitError(ServiceError):
    """Too many requests in a window of time; `seconds`: until it is over."""

    def __init__(self, name: str, quota: int, window: int, seconds: int) -> None:
        self.seconds = seconds
        super().__init__(f"The limit {name!r} is {quota} requests in {window} seconds; try in {seconds} s.")


class UnknownRecordError(ServiceError):
    """No record has this id."""


class DuplicateError(ServiceError):
    """A record with this id stands already."""


class WithdrawnError(ServiceError):
    """The record is kept, but no longer used."""


class TooManyRowsError(ServiceError):
    """A file holds more rows than are taken at once."""


class RowsRefusedError(ServiceError):
    """Rows are wrong, and it was asked that all be right or none be taken."""

    def __init__(self, report: Mapping[str, Any]) -> None:
        self.report = report
        bad = report["refused"] + report["duplicates"]
        super().__init__(f"{bad} of {report['rows']} rows cannot be taken, so none was; see report.")


class UnknownPathNameError(FaultyRequestError):
    """The catalogue has no such maker or model."""

    def __str__(self) -> str:
        return "; ".join(f"{located.fault}." for located in self.faults)


class NoBundleError(ServiceError):
    """No price model is loaded."""


class BundleGoneError(ServiceError):
    """The price model that made a valuation cannot be read any more."""


class NoRoomError(ServiceError):
    """The disk is full."""


class BrokenStreamError(ServiceError):
    """An answer that had begun cannot be ended."""


class NoCardError(ServiceError):
    """The price model was made without a card."""


class UnknownModelError(ServiceError):
    """The store has no price model of this version."""


class ModelRefusedError(ServiceError):
    """A price model is damaged, or this program cannot read it."""


class GateError(ServiceError):
    """The gate did not let the price model pass."""


class ModelChangedError(ServiceError):
    """Another price model is current than the one that was to be taken back."""


class NoEarlierModelError(ServiceError):
    """Nothing was current before what is current now."""


class ModelStoreError(ServiceError):
    """The store of price models cannot be written."""


class IdempotencyError(ServiceError):
    """Something about an Idempotency-Key."""


class KeyFormError(IdempotencyError):
    """The Idempotency-Key is not usable."""


class InFlightError(IdempotencyError):
    """The first request with this Idempotency-Key has not ended."""


class OtherBodyError(IdempotencyError):
    """This Idempotency-Key was used with another body."""
