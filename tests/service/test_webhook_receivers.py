"""Receivers that redirect, hang, never end or lead elsewhere, and many at once, on both databases."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from itertools import pairwise

import pytest
from webhook_ground import HOST, Ground, Receiver, answering, receiving

from models.costs import WEBHOOK_AT_ONCE


def test_a_redirect_is_not_followed(ground: Ground, receiver: Receiver) -> None:
    with receiving() as inside:
        receiver.behave = answering(302, Location=inside.url())
        ground.endpoint(receiver.url())
        ground.change("A-1")
        assert ground.send() == {"waiting": 1}
        assert inside.messages == []
    (row,) = ground.deliveries()
    assert (row.status, row.failure) == (302, "it answered 302, a redirect, and none is followed")


def test_a_name_that_leads_elsewhere_between_attempts_is_checked_each_time(
    ground: Ground, receiver: Receiver
) -> None:
    ground.networks = f"{HOST}/32"
    answers = [[HOST], ["127.0.0.2"], [HOST, "169.254.169.254"], ["::1"], [], [HOST]]
    looked: list[int] = []
    ground.endpoint(receiver.url(host="shop.example.org"))
    for number, answer in enumerate(answers):
        before = len(receiver.messages)

        def resolve(
            host: str, port: int, number: int = number, answer: Sequence[str] = answer
        ) -> Sequence[str]:
            assert (host, port) == ("shop.example.org", receiver.port)
            looked.append(number)
            return answer

        ground.change(f"A-{number}")
        ground.clock.forward(hours=3)
        ground.send(resolve=resolve)
        assert (len(receiver.messages) > before) == (answer == [HOST])
        if answer != [HOST]:
            (why,) = {row.failure for row in ground.deliveries() if row.state == "waiting" and row.attempts}
            assert why == "its name leads to no public address"
    assert set(looked) == set(range(len(answers)))
    ground.clock.forward(days=1)
    ground.send(resolve=lambda host, port: [HOST])
    assert set(ground.states()) == {"delivered"} and len(receiver.messages) == len(answers)
    assert {one.headers["host"] for one in receiver.messages} == {f"shop.example.org:{receiver.port}"}


@pytest.mark.parametrize("how", ["hang", "drip"])
def test_an_endpoint_that_never_answers_is_left_in_time(ground: Ground, receiver: Receiver, how: str) -> None:
    receiver.behave = lambda _: getattr(receiver, how)
    ground.endpoint(receiver.url())
    ground.change("A-1")
    began = time.monotonic()
    assert ground.send(seconds=0.5) == {"waiting": 1}
    assert time.monotonic() - began < 2.5
    assert ground.deliveries()[0].failure == "it did not answer within 0.5 seconds"


def test_an_answer_without_end_is_not_read(ground: Ground, receiver: Receiver) -> None:
    receiver.behave = lambda _: receiver.pour
    ground.endpoint(receiver.url())
    ground.change("A-1")
    began = time.monotonic()
    assert ground.send() == {"delivered": 1}, "it said 200"
    assert time.monotonic() - began < 2.5
    assert receiver.poured < 2**24  # what the sockets' buffers hold


def test_a_slow_endpoint_holds_up_no_other(ground: Ground, receiver: Receiver) -> None:
    with receiving() as slow:
        slow.behave = lambda _: slow.hang
        ground.endpoint(slow.url())
        ground.endpoint(receiver.url())
        ground.change(*(f"A-{number}" for number in range(24)))
        arrived: list[float] = []
        began = time.monotonic()
        receiver.behave = lambda _: (arrived.append(time.monotonic() - began), (200, {}))[1]  # type: ignore[func-returns-value]
        ground.send(seconds=4)
    assert len(arrived) == 24 and max(arrived) < 3
    assert slow.busiest <= WEBHOOK_AT_ONCE


def test_one_endpoint_gets_no_more_at_once_than_it_may(ground: Ground, receiver: Receiver) -> None:
    receiver.behave = lambda _: (time.sleep(0.05), (200, {}))[1]  # type: ignore[func-returns-value]
    ground.endpoint(receiver.url())
    ground.change(*(f"A-{number}" for number in range(40)))
    assert ground.send() == {"delivered": 40}
    assert 2 <= receiver.busiest <= WEBHOOK_AT_ONCE


def test_three_senders_share_an_endpoint_and_send_nothing_twice(ground: Ground, receiver: Receiver) -> None:
    ground.endpoint(receiver.url())
    for _ in range(3):
        ground.change(*(f"A-{number}" for number in range(20)))
    senders = [threading.Thread(target=ground.sender().send_due) for _ in range(3)]
    for one in senders:
        one.start()
    for one in senders:
        one.join()
    assert len(receiver.messages) == len({one.id for one in receiver.messages}) == 60
    for item in {one.data["stock_number"] for one in receiver.messages}:
        assert all(a < b for a, b in pairwise(receiver.positions(item)))
