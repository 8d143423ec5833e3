"""/v1/webhooks over HTTP: made, tested, changed, rotated, replayed, deleted; each change audited."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import Caller, assert_problem, faults_of
from flask import Flask
from hypothesis import given
from hypothesis import strategies as st
from standardwebhooks import Webhook
from webhook_ground import Receiver, receiving, two_deliveries, without_webhooks

from service.db.engine import writing
from service.webhooks import leases
from service.webhooks.events import emit
from service.webhooks.sender import Sender

URL = "https://shop.example.org/hooks"
SEEN = {"id", "url", "description", "changes", "state", "made_by", "created", "changed", "tested", "failing"}
SEEN |= {"parked", "failure", "secrets"}


@pytest.fixture(scope="module")
def app(backend: str, new_database: NewDatabase, fake_store: Any) -> Iterator[Flask]:
    app = make_app(fake_store, new_database(backend), webhook_networks="127.0.0.0/8")
    yield app
    parts(app).engine.dispose()


@pytest.fixture
def shop(app: Flask) -> Caller:
    """A caller that may have webhooks, and there are none yet."""
    without_webhooks(parts(app).engine)
    return caller_of(app, "inventory", "admin", "metrics")


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as found:
        yield found


def made(shop: Caller, url: str = URL, **more: Any) -> dict[str, Any]:
    found = shop.post("/v1/webhooks", {"url": url, **more})
    assert found.status_code == 201, found.text
    answer: dict[str, Any] = found.json
    return answer


def send(app: Flask) -> None:
    """Send what is due, as the thread of a worker does."""
    later = datetime.now(UTC) + timedelta(seconds=1)
    context = parts(app)
    Sender(context.engine, context.settings, context.figures.delivered, clock=lambda: later).send_due()


def change(app: Flask, *stock_numbers: str, first: int = 1) -> None:
    with writing(parts(app).engine) as connection:
        emit(connection, [(one, "valued", first + at) for at, one in enumerate(stock_numbers)])


def audited(shop: Caller) -> list[str]:
    """The records of the audit about webhooks, newest first."""
    found = shop.get("/v1/audit").json["entries"]
    return [one["action"] for one in found if one["action"].startswith("webhook")]


def test_the_secret_is_shown_once_and_verifies_what_arrives(
    app: Flask, shop: Caller, receiver: Receiver
) -> None:
    webhook = made(shop, receiver.url(), description="the shop's own stock", changes=["valued", "created"])
    path = f"/v1/webhooks/{webhook['id']}"
    assert webhook["secret"].startswith("whsec_") and webhook["state"] == "untested"
    assert webhook["changes"] == ["created", "valued"] and set(webhook) == {*SEEN, "secret"}
    shown = shop.get(path)
    assert shown.json == {name: webhook[name] for name in SEEN} and "whsec" not in shown.text
    assert shop.get("/v1/webhooks").json == {"webhooks": [shown.json]}

    tested = shop.post(f"{path}/test", "")
    assert (tested.status_code, tested.json["state"]) == (202, "untested")
    send(app)
    assert shop.get(path).json["state"] == "active"
    change(app, "A-1")
    send(app)
    for message, kind in zip(receiver.messages, ("webhook.test", "item.valued"), strict=True):
        assert Webhook(webhook["secret"]).verify(message.body, message.headers)["type"] == kind
    listed = shop.get(f"{path}/deliveries").json["deliveries"]
    assert [(one["type"], one["state"], one["status"]) for one in listed] == [
        ("item.valued", "delivered", 204),
        ("webhook.test", "delivered", 204),
    ]
    assert listed[0]["event"] == receiver.messages[1].id and listed[0]["stock_number"] == "A-1"
    assert 'bookmatch_webhook_attempts_total{end="delivered"} ' in shop.get("/metrics").text


def test_the_secret_is_not_in_the_database(app: Flask, shop: Caller) -> None:
    webhook = made(shop)
    with parts(app).engine.connect() as connection:
        (seed,) = connection.exec_driver_sql("SELECT seed FROM webhook_secret").scalars()
    assert seed not in webhook["secret"] and webhook["secret"].removeprefix("whsec_") not in seed


def test_a_test_that_fails_says_why(app: Flask, shop: Caller, receiver: Receiver) -> None:
    receiver.behave = lambda _: (403, {})
    path = f"/v1/webhooks/{made(shop, receiver.url())['id']}"
    shop.post(f"{path}/test", "")
    send(app)
    found = shop.get(path).json
    assert (found["state"], found["failure"], found["tested"]) == ("untested", "it answered 403", None)
    change(app, "A-1")
    assert len(shop.get(f"{path}/deliveries").json["deliveries"]) == 1


def test_a_parked_webhook_is_reported(app: Flask, shop: Caller, receiver: Receiver) -> None:
    path = f"/v1/webhooks/{made(shop, receiver.url())['id']}"
    shop.post(f"{path}/test", "")
    send(app)
    receiver.behave = lambda _: (410, {})
    change(app, "A-1")
    send(app)
    found = shop.get("/v1/webhooks").json["webhooks"][0]
    assert (found["state"], found["failure"]) == ("parked", "it answered 410") and found["parked"]
    text = shop.get("/metrics").text
    assert 'bookmatch_webhooks{state="parked"} 1.0' in text
    assert 'bookmatch_webhook_attempts_total{end="parked"} 1.0' in text
    waiting = shop.get(f"{path}/deliveries?state=waiting").json["deliveries"]
    assert [one["stock_number"] for one in waiting] == ["A-1"]


def test_the_same_request_twice_makes_one_webhook_and_shows_its_secret_once(shop: Caller) -> None:
    name = {"Idempotency-Key": "the shop's hook"}
    first = shop.post("/v1/webhooks", {"url": URL}, **name)
    again = assert_problem(shop.post("/v1/webhooks", {"url": URL}, **name), 409, "shown-once")
    assert again["detail"].endswith(f"made a secret of the webhook {first.json['id']}.")
    assert "no-transform" in first.headers["Cache-Control"]
    assert len(shop.get("/v1/webhooks").json["webhooks"]) == 1
    assert audited(shop)[:1] == ["webhook_created"]


def test_a_change_keeps_to_if_match_and_another_address_wants_a_test(
    app: Flask, shop: Caller, receiver: Receiver
) -> None:
    path = f"/v1/webhooks/{made(shop, receiver.url())['id']}"
    shop.post(f"{path}/test", "")
    send(app)
    tag = shop.get(path).headers["ETag"]
    changed = shop.ask("patch", path, {"changes": ["deleted"]}, **{"If-Match": tag})
    assert changed.json["changes"] == ["deleted"] and changed.json["state"] == "active"
    assert changed.headers["ETag"] == shop.get(path).headers["ETag"] != tag
    for method, body in (("patch", {"description": "late"}), ("delete", None)):
        assert_problem(shop.ask(method, path, body, **{"If-Match": tag}), 412, "precondition")
    moved = shop.ask("patch", path, {"url": receiver.url(path="/other")})
    assert moved.json["state"] == "untested" and moved.json["description"] is None
    before = audited(shop)
    assert shop.ask("patch", path, {"url": receiver.url(path="/other")}).status_code == 200
    assert audited(shop) == before, "nothing changed"


def test_a_deleted_webhook_is_gone_with_its_secrets(app: Flask, shop: Caller) -> None:
    webhook_id, event_id = two_deliveries(parts(app).engine, (shop.key or "").split("_")[1])
    path = f"/v1/webhooks/{webhook_id}"
    assert shop.ask("delete", path).status_code == 200
    for asked in (
        shop.get(path),
        shop.ask("delete", path),
        shop.ask("patch", path, {"description": "x"}),
        shop.post(f"{path}/test", ""),
        shop.post(f"{path}/rotate", {}),
        shop.post(f"{path}/replay", {"event": event_id}),
        shop.get(f"{path}/deliveries"),
        shop.post(f"{path}/deliveries/{event_id}/sending", ""),
    ):
        assert_problem(asked, 404, "record")
    assert shop.get("/v1/webhooks").json == {"webhooks": []}
    assert leases.ready(parts(app).engine, datetime.now(UTC) + timedelta(days=1)) == []
    with parts(app).engine.connect() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM webhook_secret").scalar() == 0
    assert audited(shop)[0] == "webhook_deleted"


def test_a_rotated_secret_overlaps_the_one_before(app: Flask, shop: Caller, receiver: Receiver) -> None:
    webhook = made(shop, receiver.url())
    path = f"/v1/webhooks/{webhook['id']}"
    new = shop.post(f"{path}/rotate", {"overlap_hours": 2})
    assert new.status_code == 201 and new.json["secret"] != webhook["secret"]
    ends = [one["expires"] for one in new.json["secrets"]]
    assert ends[1] is None
    left = datetime.fromisoformat(ends[0]) - datetime.now(UTC)
    assert timedelta(hours=1.9) < left <= timedelta(hours=2)
    shop.post(f"{path}/test", "")
    send(app)
    for secret in (webhook["secret"], new.json["secret"]):
        Webhook(secret).verify(receiver.messages[-1].body, receiver.messages[-1].headers)
    assert shop.post(f"{path}/rotate", {"overlap_hours": 0}).status_code == 201
    assert len(shop.get(path).json["secrets"]) == 1
    name = {"Idempotency-Key": "rotate"}
    assert shop.post(f"{path}/rotate", {}, **name).status_code == 201
    assert_problem(shop.post(f"{path}/rotate", {}, **name), 409, "shown-once")
    rotated = ["webhook_rotated"] * 2
    assert audited(shop)[:5] == [*rotated, "webhook_tested", "webhook_rotated", "webhook_created"]


def test_events_are_sent_again_from_one_on_and_one_by_one(
    app: Flask, shop: Caller, receiver: Receiver
) -> None:
    path = f"/v1/webhooks/{made(shop, receiver.url())['id']}"
    shop.post(f"{path}/test", "")
    send(app)
    change(app, "A", "A", "B")
    send(app)
    ids = [one.id for one in receiver.messages]
    listed = shop.get(f"{path}/deliveries?limit=2")
    assert 'rel="next"' in listed.headers["Link"]
    second = next(
        one["event"] for one in shop.get(f"{path}/deliveries").json["deliveries"] if one["position"] == 2
    )
    name = {"Idempotency-Key": "again"}
    for _ in range(2):  # the second asks for the stored answer
        found = shop.post(f"{path}/replay", {"event": second}, **name)
        assert (found.status_code, found.json) == (200, {"queued": 2, "next_event": None})
    send(app)
    assert sorted(receiver.positions()[3:]) == [2, 3]
    again = shop.post(f"{path}/deliveries/{second}/sending", "")
    assert (again.json["state"], again.json["attempts"], again.json["delivered"]) == ("waiting", 0, None)
    send(app)
    assert receiver.positions()[-1] == 2 and {one.id for one in receiver.messages} == set(ids)
    since = (datetime.now(UTC) + timedelta(hours=1)).isoformat()
    assert shop.post(f"{path}/replay", {"since": since}).json["queued"] == 0
    past = (datetime.now(UTC) - timedelta(hours=1)).isoformat()
    assert shop.post(f"{path}/replay", {"since": past}).json["queued"] == 3
    assert_problem(shop.post(f"{path}/replay", {"event": "evt_x"}), 404, "record")
    for unreadable in ("evt_\0", "", "x" * 41, 7):  # PostgreSQL refuses the first
        assert list(faults_of(shop.post(f"{path}/replay", {"event": unreadable}))) == ["#/event"]
    assert audited(shop)[:1] == ["webhook_replayed"]


@pytest.mark.parametrize(
    ("body", "pointer", "problem"),
    [
        ({"url": "http://shop.example.org/"}, None, None),
        ({"url": "https://10.0.0.1/"}, "#/url", "is an address of a private network"),
        ({"url": "http://8.8.8.8/"}, "#/url", "is not protected"),
        ({"url": 7}, "#/url", "is not the address of a webhook"),
        ({"url": URL, "changes": []}, "#/changes", "is no list of changes"),
        ({"url": URL, "changes": ["sold"]}, "#/changes", "is no list of changes"),
        ({"url": URL, "description": "x" * 201}, "#/description", "is not such a text"),
        ({"url": URL, "secret": "mine"}, "#/secret", "is not a field of this request"),
        ({}, "#/url", "is required"),
    ],
)
def test_what_is_wrong_is_told(
    shop: Caller, body: dict[str, Any], pointer: str | None, problem: str | None
) -> None:
    found = shop.post("/v1/webhooks", body)
    if pointer is None:
        assert found.status_code == 201  # by http into the networks of the setting: seen at each attempt
        return
    faults = faults_of(found)
    assert set(faults) == {pointer} and str(problem).split()[-1] in faults[pointer]["problem"]


def test_a_state_of_deliveries_is_read_in_any_letters(shop: Caller) -> None:
    path = f"/v1/webhooks/{made(shop)['id']}/deliveries"
    assert shop.get(f"{path}?state=Waiting").status_code == 200
    (fault,) = shop.get(f"{path}?state=deliverd").json["errors"]
    assert fault["next_step"] == "did you mean delivered?"


@pytest.mark.parametrize(
    "body", [{}, {"event": "evt_1", "since": "2026-01-01T00:00:00Z"}, {"since": "2026-01-01"}, {"since": 1}]
)
def test_a_replay_names_one_place_to_begin(shop: Caller, body: dict[str, Any]) -> None:
    assert faults_of(shop.post(f"/v1/webhooks/{made(shop)['id']}/replay", body))


def test_there_is_an_end_to_webhooks(shop: Caller) -> None:
    for _ in range(16):
        made(shop)
    assert faults_of(shop.post("/v1/webhooks", {"url": URL}))["#/url"]["allowed"] == "at most 16 webhooks"


@given(attempts=st.integers(1, 100), asked=st.floats(0, 1e9))
def test_pauses_grow_and_what_an_endpoint_asks_for_has_a_bound(attempts: int, asked: float) -> None:
    table = (5, 60, 300, 1_800, 7_200, 18_000, 28_800, 36_000)
    usual = table[min(attempts, 8) - 1]
    found = leases.pause(attempts, asked).total_seconds()
    assert found >= usual and found >= min(asked, 3_600)
    assert found <= max(usual * 1.1, 3_600 if asked > usual else 0) + 1e-6
    assert sum(table) > 24 * 3_600
