"""Spam meets limits of its own, and a proof of work from the fourth request of an hour on."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from itertools import count
from pathlib import Path
from typing import Any

import itsdangerous.timed
import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import Caller, assert_problem
from flask import Flask
from request_bodies import BODY, REQUESTS, asked, visitor_of

from models.costs import PROOF_BITS, PROOF_SECONDS

NEAR, FAR = "192.0.2.7", "198.51.100.9"


@pytest.fixture
def app(fake_store: Path, new_database: NewDatabase) -> Iterator[Flask]:
    limits = {"limit_unproved_requests": 3, "limit_visitor_requests": 6, "limit_website_requests": 8}
    app = make_app(fake_store, new_database("sqlite"), **limits)
    yield app
    parts(app).engine.dispose()


@pytest.fixture
def visitor(app: Flask) -> Caller:
    return visitor_of(app)[0]


def sent(visitor: Caller, proof: str | None = None, address: str = NEAR, **headers: str) -> Any:
    """A request of a visitor from this address."""
    more = {"Proof-Of-Work": proof} if proof is not None else {}
    headers = visitor.headers({**visitor_of(visitor.app)[1], **more, **headers})
    where = {"REMOTE_ADDR": address}
    return visitor.client.post(f"{REQUESTS}?value=false", json=BODY, headers=headers, environ_base=where)


def solved(challenge: str, bits: int = PROOF_BITS) -> str:
    """Solve a challenge by counting up, as the document says."""
    for number in count():
        found = f"{challenge}:{number}"
        digest = hashlib.sha256(found.encode()).digest()
        if "".join(f"{byte:08b}" for byte in digest).startswith("0" * bits):
            return found
    raise AssertionError


def needed(found: Any) -> dict[str, Any]:
    proof: dict[str, Any] = assert_problem(found, 429, "proof-needed")["proof"]
    assert set(proof) == {"challenge", "bits", "seconds"}
    return proof


def challenged(visitor: Caller, address: str = NEAR) -> str:
    """The challenge that comes once the first requests are used up."""
    for _ in range(3):
        assert sent(visitor, address=address).status_code == 201
    return str(needed(sent(visitor, address=address))["challenge"])


def test_the_first_requests_need_none_and_the_fourth_is_taken_with_one(visitor: Caller) -> None:
    challenge = challenged(visitor)
    proof = solved(challenge)
    assert sent(visitor, proof).status_code == 201
    again = needed(sent(visitor, proof))  # a proof holds once
    assert again["challenge"] != challenge and again["bits"] == PROOF_BITS


def test_another_network_needs_none_and_cannot_use_it(visitor: Caller) -> None:
    proof = solved(challenged(visitor))
    for _ in range(3):
        assert sent(visitor, address=FAR).status_code == 201
    needed(sent(visitor, proof, FAR))
    assert sent(visitor, proof, NEAR).status_code == 201


@pytest.mark.parametrize(
    "kind", ["unsolved", "of nobody", "empty", "no number", "long", "other letters", "forged"]
)
def test_a_proof_that_is_none_is_refused(visitor: Caller, kind: str) -> None:
    challenge = challenged(visitor)
    easy = next(n for n in count() if hashlib.sha256(f"{challenge}:{n}".encode()).digest()[0] > 127)
    head, _, tail = challenge.partition(".")
    forged = f"{'0' * len(head)}.{tail}"
    proofs = {
        "unsolved": f"{challenge}:{easy}",
        "of nobody": solved("anything"),
        "empty": "",
        "no number": f"{challenge}:",
        "long": f"{challenge}:{'9' * 400}",
        "other letters": f"{challenge}:٣",
        "forged": solved(forged),
    }
    proof = proofs[kind].encode().decode("latin-1")
    assert needed(sent(visitor, proof))["challenge"] != challenge


def test_a_challenge_lives_for_minutes(visitor: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    proof = solved(challenged(visitor))
    now = itsdangerous.timed.time.time()
    with monkeypatch.context() as patch:
        patch.setattr(itsdangerous.timed.time, "time", lambda: now + PROOF_SECONDS + 2)
        assert "expired" in sent(visitor, proof).json["detail"]
    assert sent(visitor, proof).status_code == 201


def test_a_retry_needs_no_proof(visitor: Caller) -> None:
    first = sent(visitor, **{"Idempotency-Key": "x-1"})
    challenged_after = [sent(visitor).status_code for _ in range(3)]
    assert challenged_after == [201, 201, 429]
    assert sent(visitor, **{"Idempotency-Key": "x-1"}).data == first.data


def test_one_network_and_one_key_have_an_end(visitor: Caller) -> None:
    challenge = challenged(visitor)
    for _ in range(3):
        assert sent(visitor, solved(challenge)).status_code == 201
        challenge = needed(sent(visitor))["challenge"]
    body = assert_problem(sent(visitor, solved(challenge)), 429, "limit")
    assert "visitor-requests" in body["detail"] and "proof" not in body
    taken = [sent(visitor, address=FAR) for _ in range(3)]
    assert [one.status_code for one in taken] == [201, 201, 429]
    assert "key-requests" in assert_problem(taken[2], 429, "limit")["detail"]
    assert int(taken[2].headers["Retry-After"]) > 3600


def test_a_system_key_needs_no_proof(app: Flask) -> None:
    specialist = caller_of(app, "requests")
    assert {asked(specialist, "?value=false").status_code for _ in range(10)} == {201}


def test_what_is_refused_for_its_fields_counts_for_nothing(app: Flask, visitor: Caller) -> None:
    here = visitor_of(app)[1]
    for _ in range(5):
        assert visitor.post(REQUESTS, {**BODY, "consent": False}, **here).status_code == 422
    assert visitor.post(REQUESTS, BODY, **here).status_code == 201
