"""A proof of work, and the quotas of requests for appraisals: they keep spam out without a third party.

A visitor's first requests in an hour need no proof. Each further one needs a whole number that makes the
SHA-256 of a signed challenge begin with some zero bits: a second for one owner, and dear for thousands. A
challenge is bound to the visitor's network, lives for minutes, and holds once.
"""

from __future__ import annotations

import hashlib
import secrets

from flask import request
from itsdangerous import BadSignature, SignatureExpired, TimestampSigner

from models.costs import PROOF_BITS, PROOF_SECONDS
from service.context import context
from service.errors import ProofNeededError
from service.http.hooks.conditional import header_parameter
from service.keys.callers import Caller
from service.keys.kinds import WEBSITE
from service.server.quotas import network_of

HEADER = "Proof-Of-Work"
_LONGEST = 300
PARAMETER = header_parameter(
    HEADER,
    "challenge:number, where a problem proof-needed asked for it: the SHA-256 of both must begin with the "
    "zero bits that it names. A visitor's first requests in an hour need none",
)


def check_quota(caller: Caller, address: str | None) -> None:
    """Count a new request of a website key. Raises LimitError, or ProofNeededError where one is missing."""
    if caller.kind != WEBSITE:
        return
    limits, network = context().limits, network_of(address)
    if limits.needs_proof(network):
        _check_proof(request.headers.get(HEADER), network)
    limits.ask(caller, network)


def _check_proof(sent: str | None, network: str) -> None:
    if sent is None:
        raise _needed(
            "Several requests came from your network within an hour, so this one needs a proof.", network
        )
    if len(sent) > _LONGEST or not sent.isascii():
        raise _needed("The proof of work cannot be read.", network)
    challenge, _, counter = sent.rpartition(":")
    try:
        nonce = _signer(network).unsign(challenge, max_age=PROOF_SECONDS).decode()
    except SignatureExpired:
        raise _needed("The challenge of this proof has expired.", network) from None
    except BadSignature:
        raise _needed(
            "The challenge of this proof is not ours, or was made for another network.", network
        ) from None
    if not counter.isdigit() or not solves(challenge, counter, PROOF_BITS):
        raise _needed("The number of this proof is wrong.", network)
    if not context().limits.first_use(f"proof {nonce}", PROOF_SECONDS):
        raise _needed("This proof was used before.", network)


def solves(challenge: str, counter: str, bits: int) -> bool:
    """Say whether the SHA-256 of `challenge:number` begins with so many zero bits."""
    digest = hashlib.sha256(f"{challenge}:{counter}".encode()).digest()
    return int.from_bytes(digest) >> (8 * len(digest) - bits) == 0


def _needed(why: str, network: str) -> ProofNeededError:
    challenge = _signer(network).sign(secrets.token_hex(16)).decode()
    return ProofNeededError(why, challenge, PROOF_BITS, PROOF_SECONDS)


def _signer(network: str) -> TimestampSigner:
    return TimestampSigner(
        context().settings.secret, salt=f"proof of work {network}", digest_method=hashlib.sha256
    )
