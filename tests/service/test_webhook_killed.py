"""A sender that is killed at any moment: no event is lost, none overtakes an earlier one of its item.

A kill between the receiver's answer and the commit sends the same event again: at least once, under one id.
"""

from __future__ import annotations

import os
import random
import signal
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pytest
from dying import Children, children_of
from webhook_ground import Ground, Receiver

ROOT = Path(__file__).parents[2]
RUNS = int(os.environ.get("WEBHOOK_KILLS", "12"))  # more runs find what is rarer: WEBHOOK_KILLS=50
ITEMS = 6
# Kill → how often the event arrives in all.
POINTS = {
    "before claim": 1,
    "after claim": 1,
    "after route": 1,
    "before post": 1,
    "after post": 2,
    "before deliver": 2,
    "after change": 2,
    "after deliver": 1,
}


@dataclass
class Sending:
    """A database, a receiver, and processes that send to it."""

    ground: Ground
    receiver: Receiver
    children: Children

    def begin(self, point: str = "") -> int:
        """Let a process begin to send; its id, as soon as it is about to."""
        self.children.ask(self.ground.settings(), point=point)
        return self.children.ready()

    def finish(self) -> None:
        """Send all that is left, as often as leases and pauses want it."""
        for _ in range(50):
            if set(self.ground.states()) == {"delivered"}:
                return
            self.ground.clock.forward(hours=1)
            self.ground.send()


@pytest.fixture(scope="module")
def children() -> Iterator[Children]:
    with children_of("webhook_child.py") as found:
        yield found


@pytest.fixture
def sending(ground: Ground, receiver: Receiver, children: Children) -> Sending:
    return Sending(ground, receiver, children)


@pytest.mark.parametrize("point", POINTS)
def test_a_kill_at_a_step_loses_nothing_and_may_send_the_same_id_again(sending: Sending, point: str) -> None:
    sending.ground.endpoint(sending.receiver.url())
    sending.ground.change("A-1")
    sending.ground.change("A-1")
    sending.begin(point)
    assert sending.children.ended() == -9, f"it was not killed {point}"
    sending.finish()
    assert set(sending.ground.states()) == {"delivered"}
    assert sending.receiver.positions() == [1] * POINTS[point] + [2]
    assert len({one.id for one in sending.receiver.messages}) == 2


def test_kills_at_random_moments_lose_nothing_and_keep_the_order_of_each_item(sending: Sending) -> None:
    random.seed(0)
    ground, receiver, took = sending.ground, sending.receiver, 0.0
    ground.endpoint(receiver.url())
    ground.endpoint(receiver.url(path="/second"))
    receiver.behave = lambda _: (500 if random.random() < 0.1 else 200, {})
    early = 0
    for run in range(RUNS + 1):
        for _ in range(3):
            ground.change(*(f"A-{number}" for number in range(ITEMS)))
        pid, begun = sending.begin(), time.monotonic()
        if run:
            time.sleep(random.uniform(0, min(took, 0.5)))
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        early += sending.children.ended() == -9
        took = took or time.monotonic() - begun  # the first was left alone, to know how long one takes
    left = Counter(ground.states())
    receiver.behave = lambda _: (200, {})
    sending.finish()
    again = len(receiver.messages) - len({(one.path, one.id) for one in receiver.messages})
    print(f"\n{len(ground.deliveries())} deliveries, {early} kills: {dict(left)}; {again} sent again")
    assert early and left["delivered"] and left["waiting"], "the kills came too early or too late"
    assert set(ground.states()) == {"delivered"}
    for path in ("/hooks", "/second"):
        for item in (f"A-{number}" for number in range(ITEMS)):
            data = [one.data for one in receiver.messages if one.path == path]
            found = [one["position"] for one in data if one["stock_number"] == item]
            assert found == sorted(found), "an event came after a later one of its item"
            assert len(set(found)) == 3 * (RUNS + 1), "an event was lost"
