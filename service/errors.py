"""Every error that the service raises on purpose; none knows HTTP (`service.problems` has the table)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from models.costs import MOST_FAULTS
from models.errors import BookmatchError, Fault


def how_many(count: int) -> str:
    """Say how many fields are wrong, and how many of their faults an answer does not list."""
    more = (
        f", which lists {MOST_FAULTS}, and there are {count - MOST_FAULTS:,} more"
        if count > MOST_FAULTS
        else ""
    )
    return f"{count:,} field{'s are' if count > 1 else ' is'} wrong; see errors{more}."


class Located(NamedTuple):
    """A fault with its JSON pointer into the body (as a URI fragment; None for a fault outside the body)."""

    pointer: str | None
    fault: Fault


class ServiceError(BookmatchError):
    """The root of the service's own errors."""


class SettingsError(ServiceError):
    """Settings in the environment are missing or wrong."""

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(self.faults))


class StoreError(ServiceError):
    """The database does not have the tables that this program needs."""


class ArchiveError(ServiceError):
    """A backup cannot be made or restored."""


class BodyError(ServiceError):
    """The body is not a JSON object that can be read."""


class ContentTypeError(ServiceError):
    """The body has a media type that the path does not take."""


class EncodingError(ServiceError):
    """The body is compressed in a way that the service does not read."""


class NotAcceptableError(ServiceError):
    """The caller accepts no media type that the path offers."""


class FaultyRequestError(ServiceError):
    """Some fields are wrong. `faults`: every fault, with its pointer into the body."""

    def __init__(self, faults: Sequence[Located]) -> None:
        self.faults = tuple(faults)
        super().__init__(how_many(len(self.faults)))


class KeyMissingError(ServiceError):
    """No key was sent."""


class KeyInvalidError(ServiceError):
    """The key is not known, or was revoked."""


class ScopeError(ServiceError):
    """The key does not have the scope for this request."""


class OriginError(ServiceError):
    """A website key is used from an origin that is not one of its own."""


class KeyRevokedError(ServiceError):
    """A key that was revoked cannot be rotated."""


class ShownOnceError(ServiceError):
    """The key or webhook was made by an earlier request, which was shown its secret."""

    def __init__(self, made_id: str, of: str = "key") -> None:
        super().__init__(f"The first request with this Idempotency-Key made a secret of the {of} {made_id}.")


class LimitError(ServiceError):
    """Too much in a window of time. `seconds`: the time until the window ends. `of`: what is counted."""

    def __init__(self, name: str, quota: int, window: int, seconds: int, of: str = "requests") -> None:
        self.seconds = seconds
        super().__init__(f"The limit {name!r} is {quota} {of} in {window} seconds; try in {seconds} s.")


class UnknownRecordError(ServiceError):
    """No record has this id."""


class DuplicateError(ServiceError):
    """A record with this id exists already."""


class WithdrawnError(ServiceError):
    """The record was withdrawn: it is kept, but no longer used."""


class ItemDeletedError(ServiceError):
    """The item was deleted; only its row stays, so that followers learn of it."""


class EmailStateError(ServiceError):
    """The e-mail is neither uncertain nor failed, so that it is not to be sent again."""


class TooManyRowsError(ServiceError):
    """A file holds more rows than one request may have."""


class RowsRefusedError(ServiceError):
    """Rows of a file are wrong: the caller wants all or none, or too many are wrong one after the other.

    `member`: the name under which the problem has the report.
    """

    def __init__(self, report: Mapping[str, Any], *, stopped: bool = False, member: str = "report") -> None:
        self.report, self.member = report, member
        bad = report["refused"] + report.get("duplicates", 0)
        read = (
            ", and were refused one after the other, so the rest of the file was not read" if stopped else ""
        )
        super().__init__(f"{bad} of {report['rows']} rows cannot be taken{read}, so none was; see {member}.")


class UnknownPathNameError(FaultyRequestError):
    """The catalogue has no such maker or model."""

    def __str__(self) -> str:
        return "; ".join(f"{located.fault}." for located in self.faults)


class NoBundleError(ServiceError):
    """No price model is loaded."""


class BundleGoneError(ServiceError):
    """The price model that made a valuation cannot be read any more."""


class OvertakenError(ServiceError):
    """The request changed while its report was made."""


class ReportErasedError(ServiceError):
    """The content of a report was erased."""


class BusyError(ServiceError):
    """Too much of a kind that takes long is under way; nothing was done."""


class NoRoomError(ServiceError):
    """The disk is full."""


class FilesError(ServiceError):
    """The place where photographs and reports are kept does not answer."""


class PhotographError(ServiceError):
    """A photograph cannot be taken. The text says why, and what to send instead."""


class TooManyPhotographsError(ServiceError):
    """A request has as many photographs as it can have."""


class RequestClosedError(ServiceError):
    """A request was reported, declined or withdrawn, and takes no such change any more."""


class RequestStateError(ServiceError):
    """A request is in a state in which this cannot be done. The text says what can be."""


class ProofNeededError(ServiceError):
    """A request for an appraisal needs a proof of work: a solution of `challenge`, as hard as `bits`."""

    def __init__(self, why: str, challenge: str, bits: int, seconds: int) -> None:
        self.challenge, self.bits, self.seconds = challenge, bits, seconds
        super().__init__(
            f"{why} Find a whole number so that the SHA-256 of challenge:number begins with {bits} zero "
            "bits, and send the request again with the header Proof-Of-Work: challenge:number."
        )


class BrokenStreamError(ServiceError):
    """A streamed answer cannot be completed."""


class NoCardError(ServiceError):
    """The price model was made without a card."""


class UnknownModelError(ServiceError):
    """The store has no price model of this version."""


class ModelRefusedError(ServiceError):
    """A price model is damaged, or this program cannot read it."""


class GateError(ServiceError):
    """The price model failed the checks before promotion (the gate)."""


class ModelChangedError(ServiceError):
    """The price model to be rolled back is not the current one."""


class NoEarlierModelError(ServiceError):
    """No price model was current before the current one."""


class ModelStoreError(ServiceError):
    """The store of price models cannot be written, or does not answer."""


class IdempotencyError(ServiceError):
    """The base class of errors about an Idempotency-Key."""


class KeyFormError(IdempotencyError):
    """The Idempotency-Key is not usable."""


class InFlightError(IdempotencyError):
    """The first request with this Idempotency-Key has not ended."""


class OtherBodyError(IdempotencyError):
    """This Idempotency-Key was used with another body."""
