"""Webhooks sent to a receiver that behaves and misbehaves, on SQLite and on PostgreSQL."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest
from standardwebhooks import Webhook
from webhook_ground import HOST, Ground, Message, Receiver, answering, nobody_listens

from models.costs import MOST_WEBHOOK_PAUSE, WEBHOOK_AT_ONCE, WEBHOOK_JITTER
from service.db.engine import writing
from service.inventory import feed
from service.webhooks import deliveries, endpoints
from service.webhooks.events import CHANGES, emit

PAUSES = (5, 60, 300, 1_800, 7_200, 18_000, 28_800, 36_000)  # what docs/webhooks.md says


def test_a_change_arrives_once_signed_and_thin(ground: Ground, receiver: Receiver) -> None:
    webhook_id = ground.endpoint(receiver.url(path="/hooks?shop=1"))
    ground.clock.at = datetime.now(UTC) + timedelta(seconds=1)
    ground.change("A-17", change="valued")
    assert ground.send() == {"delivered": 1} and ground.send() == {}
    (message,) = receiver.messages
    assert message.path == "/hooks?shop=1" and message.headers["host"] == f"{HOST}:{receiver.port}"
    assert message.headers["content-type"] == "application/json"
    (secret,) = ground.secrets(webhook_id)
    body = Webhook(secret).verify(message.body, message.headers)
    assert body["type"] == "item.valued" and set(body) == {"type", "timestamp", "data"}
    assert body["data"] == {"stock_number": "A-17", "change": "valued", "position": 1}
    assert datetime.fromisoformat(body["timestamp"]).tzinfo is not None
    (row,) = ground.deliveries()
    assert (row.state, row.attempts, row.status, row.failure, row.leased) == ("delivered", 1, 204, None, None)
    assert message.id == row.event_id and ground.ends == ["delivered"]


def test_an_endpoint_is_told_what_it_wants_and_nothing_is_written_for_nobody(
    ground: Ground, receiver: Receiver
) -> None:
    ground.change("A-1")
    untested = ground.endpoint(receiver.url(), active=False)
    ground.change("A-1")
    assert ground.deliveries() == []
    deleted, some = (ground.endpoint(receiver.url(path=path), changes=["deleted"]) for path in ("/x", "/d"))
    with writing(ground.engine) as connection:
        endpoints.remove(connection, endpoints.found(connection, deleted), ground.key_id)
    ground.change("A-1", change="valued")
    ground.change("A-1", "A-2", change="deleted")
    ground.send()
    found = sorted((one.path, one.data["stock_number"]) for one in receiver.messages)
    assert found == [("/d", "A-1"), ("/d", "A-2")]
    assert [row.webhook_id for row in ground.deliveries()] == [some, some] and ground.states(untested) == []


def test_what_is_rolled_back_is_not_sent(ground: Ground, receiver: Receiver) -> None:
    ground.endpoint(receiver.url())
    with ground.engine.connect() as connection, connection.begin() as transaction:
        emit(connection, [("A-1", "valued", 1)])
        transaction.rollback()
    assert ground.send() == {} and receiver.messages == []


def test_a_change_in_the_feed_is_told_with_its_position(ground: Ground, receiver: Receiver) -> None:
    assert set(feed.CHANGES) == set(CHANGES)
    ground.endpoint(receiver.url())
    with writing(ground.engine) as connection:
        before = feed.lock(connection)
        feed.record(connection, [("A-1", "created"), ("A-2", "created"), ("A-1", "valued")])
    with ground.engine.connect() as connection, connection.begin() as transaction:
        feed.record(connection, [("A-3", "created")])
        transaction.rollback()
    assert ground.send() == {"delivered": 3}
    found = sorted((one.data["position"] - before, one.data["change"]) for one in receiver.messages)
    assert found == [(1, "created"), (2, "created"), (3, "valued")]


def test_a_failing_endpoint_is_tried_for_over_a_day_with_growing_pauses_and_then_parked(
    ground: Ground, receiver: Receiver
) -> None:
    receiver.behave = answering(500)
    webhook_id = ground.endpoint(receiver.url())
    ground.change("A-1")
    began, pauses = ground.clock(), []
    for _ in PAUSES:
        assert ground.send() == {"waiting": 1}
        assert ground.send() == {}, "it was tried before its time"
        next_time = max(ground.deliveries()[0].due, ground.webhook(webhook_id).due or ground.clock())
        pauses.append((next_time - ground.clock()).total_seconds())
        ground.clock.at = next_time
    for found, least in zip(pauses, PAUSES, strict=True):
        assert least <= found <= least * (1 + WEBHOOK_JITTER)
    assert ground.send() == {"parked": 1}
    assert timedelta(days=1) < ground.clock() - began < timedelta(hours=29)
    row = ground.webhook(webhook_id)
    assert (row.state, row.failure) == ("parked", "it answered 500") and row.parked and row.failing == began
    assert len({one.id for one in receiver.messages}) == 1 and len(receiver.messages) == len(PAUSES) + 1
    ground.clock.forward(days=20)
    ground.change("A-2")
    assert ground.send() == {} and ground.states() == ["waiting", "waiting"], "what waits is not lost"


def test_a_parked_endpoint_that_passes_a_test_gets_all_that_waits_in_order(
    ground: Ground, receiver: Receiver
) -> None:
    receiver.behave = answering(410)
    webhook_id = ground.endpoint(receiver.url())
    ground.change("A-1")
    assert ground.send() == {"parked": 1}, "410 says that it never wants anything again"
    ground.change("A-1", "A-2")
    receiver.behave = answering(200)
    with writing(ground.engine) as connection:
        endpoints.test(connection, endpoints.found(connection, webhook_id), ground.key_id)
    assert ground.send() == {"delivered": 4}
    kinds = [json.loads(one.body)["type"] for one in receiver.messages]
    assert kinds[1] == "webhook.test" and receiver.positions("A-1") == [1, 1, 2]
    row = ground.webhook(webhook_id)
    assert (row.state, row.failure, row.parked, row.failures) == ("active", None, None, 0)


def test_an_untested_endpoint_gets_a_test_and_no_change_before_it_passes(
    ground: Ground, receiver: Receiver
) -> None:
    receiver.behave = answering(401)
    webhook_id = ground.endpoint(receiver.url(), active=False)
    for state, status in (("untested", 401), ("active", 202)):
        receiver.behave = answering(status)
        with writing(ground.engine) as connection:
            endpoints.test(connection, endpoints.found(connection, webhook_id), ground.key_id)
        ground.clock.forward(seconds=1)
        ground.send()
        assert ground.send() == {}, "a test that failed is not tried again by itself"
        row = ground.webhook(webhook_id)
        why = None if status == 202 else "it answered 401"
        assert (row.state, row.failure) == (state, why)
    ground.change("A-1")
    assert ground.send() == {"delivered": 1}


def test_another_address_waits_for_its_test(ground: Ground, receiver: Receiver) -> None:
    webhook_id = ground.endpoint(receiver.url(path="/old"))
    ground.change("A-1")
    with writing(ground.engine) as connection:
        row = endpoints.found(connection, webhook_id)
        endpoints.change(connection, row, ground.key_id, {"url": receiver.url(path="/new")})
    ground.change("A-1")
    assert ground.send() == {} and receiver.messages == []
    with writing(ground.engine) as connection:
        endpoints.test(connection, endpoints.found(connection, webhook_id), ground.key_id)
    assert ground.send() == {"delivered": 3}
    assert {one.path for one in receiver.messages} == {"/new"} and receiver.positions() == [1, 2]


def test_an_event_that_only_one_item_gets_refused_is_given_up_and_the_item_goes_on(
    ground: Ground, receiver: Receiver
) -> None:
    receiver.behave = lambda one: (422 if one.data.get("position") == 1 else 200, {})
    webhook_id = ground.endpoint(receiver.url())
    ground.change("BAD")
    ground.change("BAD")
    for number in range(3_000):  # the endpoint takes others all the while
        if "given_up" in ground.states():
            break
        ground.change(f"GOOD-{number}")
        ground.clock.forward(hours=1)
        ground.send()
    ground.send()
    states = ground.states()
    assert states[:2] == ["given_up", "delivered"] and set(states[2:]) == {"delivered"}
    assert receiver.positions("BAD") == [1] * (len(PAUSES) + 1) + [2]
    assert ground.webhook(webhook_id).state == "active"


def test_no_event_of_an_item_overtakes_an_earlier_one(ground: Ground, receiver: Receiver) -> None:
    failed: list[str] = []

    def third_time(one: Message) -> tuple[int, dict[str, str]]:
        failed.append(one.id)
        return (200 if failed.count(one.id) == 3 else 503), {}

    receiver.behave = third_time
    ground.endpoint(receiver.url())
    for _ in range(4):
        ground.change("A", "B", "C")
    for _ in range(200):
        if set(ground.states()) == {"delivered"}:
            break
        ground.send()
        ground.clock.forward(minutes=10)
    for item in "ABC":
        found = receiver.positions(item)
        assert found == sorted(found) and len(found) == 12 and len(set(found)) == 4


@pytest.mark.parametrize("status", [429, 503])
def test_the_endpoint_may_ask_for_a_longer_pause_up_to_a_bound(
    ground: Ground, receiver: Receiver, status: int
) -> None:
    receiver.behave = answering(status, Retry_After="900")
    webhook_id = ground.endpoint(receiver.url())
    ground.change("A-1")
    ground.send()
    ground.change("A-2")
    assert ground.send() == {}, "the pause is the whole endpoint's"
    ground.clock.forward(seconds=899)
    assert ground.send() == {}
    ground.clock.forward(seconds=1)
    receiver.behave = answering(status, Retry_After="999999")
    assert sum(ground.send().values()) == 2
    due = ground.webhook(webhook_id).due
    assert due - ground.clock() == timedelta(seconds=MOST_WEBHOOK_PAUSE)


def test_a_dead_endpoint_with_a_thousand_events_is_asked_a_few_times(ground: Ground) -> None:
    webhook_id = ground.endpoint(f"http://{HOST}:{nobody_listens()}/")
    ground.change(*(f"A-{number}" for number in range(1_000)))
    ground.send()
    assert len(ground.ends) <= WEBHOOK_AT_ONCE
    for _ in range(20):
        due = ground.webhook(webhook_id).due
        ground.clock.at = max(ground.clock(), due)
        ground.send()
    row = ground.webhook(webhook_id)
    assert (row.state, row.failure) == ("parked", "nothing answers at its address")
    assert len(ground.ends) <= WEBHOOK_AT_ONCE + len(PAUSES)
    assert set(ground.states()) == {"waiting"}


def test_both_secrets_sign_while_they_overlap_and_then_the_new_one_alone(
    ground: Ground, receiver: Receiver
) -> None:
    webhook_id = ground.endpoint(receiver.url())
    with writing(ground.engine) as connection:
        endpoints.rotate(connection, endpoints.found(connection, webhook_id), ground.key_id, 2.0)
    old, new = ground.secrets(webhook_id)
    ground.clock.at = datetime.now(UTC) + timedelta(seconds=1)
    ground.change("A-1")
    ground.send()
    for secret in (old, new):
        Webhook(secret).verify(receiver.messages[-1].body, receiver.messages[-1].headers)
    ground.clock.forward(hours=2)
    ground.change("A-2")
    ground.send()
    assert len(receiver.messages[0].headers["webhook-signature"].split()) == 2
    assert len(receiver.messages[1].headers["webhook-signature"].split()) == 1


def test_replay_sends_what_ended_again_in_order_with_the_same_ids(ground: Ground, receiver: Receiver) -> None:
    webhook_id = ground.endpoint(receiver.url())
    for _ in range(3):
        ground.change("A", "B")
    ground.send()
    before = [one.id for one in receiver.messages]
    third = next(row.event_id for row in ground.deliveries() if row.position == 3)
    with writing(ground.engine) as connection:
        start = {"event_id": third, "since": None}
        found = deliveries.replay(connection, webhook_id, ground.key_id, **start)  # type: ignore[arg-type]
    assert found == (4, None)
    ground.send()
    again = receiver.messages[len(before) :]
    assert sorted(one.data["position"] for one in again) == [3, 4, 5, 6]
    assert {one.id for one in again} <= set(before)
    for item in "AB":
        tail = [one.data["position"] for one in again if one.data["stock_number"] == item]
        assert tail == sorted(tail)


def test_old_events_go_with_their_deliveries(ground: Ground, receiver: Receiver) -> None:
    ground.endpoint(receiver.url())
    ground.change("A-1", "A-2")
    ground.send()
    assert deliveries.prune(ground.engine, datetime.now(UTC) + timedelta(days=29)) == 0
    assert len(ground.deliveries()) == 2
    assert deliveries.prune(ground.engine, datetime.now(UTC) + timedelta(days=31)) == 2
    assert ground.deliveries() == []


@pytest.mark.parametrize("status", [200, 410])
def test_an_answer_of_the_address_before_says_nothing_of_the_present_one(
    ground: Ground, receiver: Receiver, status: int
) -> None:
    webhook_id = ground.endpoint(receiver.url(path="/old"), active=status == 410)

    def move(_: Message) -> tuple[int, dict[str, str]]:
        with writing(ground.engine) as connection:
            row = endpoints.found(connection, webhook_id)
            endpoints.change(connection, row, ground.key_id, {"url": receiver.url(path="/new")})
        return status, {}

    receiver.behave = move
    if status == 410:
        ground.change("A-1")
    else:
        with writing(ground.engine) as connection:
            endpoints.test(connection, endpoints.found(connection, webhook_id), ground.key_id)
    ground.send()
    row = ground.webhook(webhook_id)
    assert (row.state, row.parked, row.failure) == ("untested", None, None)
    assert [one.path for one in receiver.messages] == ["/old"]
