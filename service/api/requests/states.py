"""The states of a request, and who may move it from one to which other, in one table."""

from __future__ import annotations

from collections.abc import Mapping

from service.errors import RequestStateError
from service.keys.callers import Caller
from service.keys.kinds import SYSTEM

RECEIVED, REVIEWING, WAITING = "received", "reviewing", "waiting_for_owner"
REPORTED, DECLINED, WITHDRAWN = "reported", "declined", "withdrawn"
STATES: Mapping[str, str] = {
    RECEIVED: "it has come in, and nobody has looked at it yet",
    REVIEWING: "the specialist is at it",
    WAITING: "the owner was asked something, and has not answered yet",
    REPORTED: "a report was issued",
    DECLINED: "the specialist does not take it on",
    WITHDRAWN: "the owner took it back",
}
SPECIALIST, OWNER, ANSWERS = "the specialist", "the owner", "the owner's answers"
# (from, to) → who may move it so.
MOVES: Mapping[tuple[str, str], frozenset[str]] = {
    (RECEIVED, REVIEWING): frozenset({SPECIALIST}),
    (RECEIVED, WITHDRAWN): frozenset({OWNER}),
    (REVIEWING, WAITING): frozenset({SPECIALIST}),
    (REVIEWING, REPORTED): frozenset({SPECIALIST}),
    (REVIEWING, DECLINED): frozenset({SPECIALIST}),
    (REVIEWING, WITHDRAWN): frozenset({OWNER}),
    (WAITING, REVIEWING): frozenset({SPECIALIST, ANSWERS}),
    (WAITING, WITHDRAWN): frozenset({OWNER}),
    (REPORTED, REVIEWING): frozenset({SPECIALIST}),  # for a correction, which is a report of its own
    (DECLINED, REVIEWING): frozenset({SPECIALIST}),
    (WITHDRAWN, REVIEWING): frozenset({SPECIALIST}),
}
OPEN = frozenset({RECEIVED, REVIEWING, WAITING})  # in these, the owner can still add something


def mover(caller: Caller) -> str:
    """Return who this caller is to a request: a website key speaks for the owner who fills in its form."""
    return SPECIALIST if caller.kind == SYSTEM else OWNER


def allowed(state: str, who: str) -> tuple[str, ...]:
    """Return the states that a request can be moved to from here, by the specialist or by the owner."""
    return tuple(to for (start, to), movers in MOVES.items() if start == state and who in movers)


def check_move(state: str, to: str, who: str) -> None:
    """Raise RequestStateError unless `who` may move a request from one state to the other."""
    if who in MOVES.get((state, to), ()):
        return
    ways = allowed(state, who)
    step = f"from {state}, {who} may move it to {' or '.join(ways)}" if ways else f"{who} cannot move it now"
    raise RequestStateError(f"A request cannot go from {state} to {to} by {who}: {step}.")


def check_open(state: str) -> None:
    """Raise RequestStateError if the owner can add nothing any more."""
    if state not in OPEN:
        raise RequestStateError(
            f"The request is {state}, so it takes no answers; only the specialist can take it up again."
        )
