"""Signatures as Standard Webhooks 1.0.0 publishes them.

Source: the specification's example of a signed message (standardwebhooks, spec/standard-webhooks.md), and the
test vector of its reference libraries.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from standardwebhooks import Webhook, WebhookVerificationError

from service.webhooks.signing import headers_of

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
ID, SECONDS, BODY = "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, '{"test": 2432232314}'
SIGNATURE = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


@pytest.mark.parametrize(
    "zone", [UTC, timezone(timedelta(hours=5, minutes=30)), timezone(timedelta(hours=-8))]
)
def test_the_published_message_gets_the_published_signature(zone: timezone) -> None:
    headers = headers_of([SECRET], ID, datetime.fromtimestamp(SECONDS, zone), BODY)
    assert headers == {"webhook-id": ID, "webhook-timestamp": str(SECONDS), "webhook-signature": SIGNATURE}


def test_parts_of_a_second_do_not_part_timestamp_and_signature() -> None:
    moment = datetime.fromtimestamp(SECONDS, UTC).replace(microsecond=999_999)
    headers = headers_of([SECRET], ID, moment, BODY)
    assert (headers["webhook-timestamp"], headers["webhook-signature"]) == (str(SECONDS), SIGNATURE)


def test_two_secrets_give_two_signatures_either_of_which_a_receiver_can_check() -> None:
    other = "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD"
    headers = headers_of([other, SECRET], ID, datetime.now(UTC), BODY)
    first, second = headers["webhook-signature"].split(" ")
    assert first != second
    for secret in (other, SECRET):
        assert Webhook(secret).verify(BODY, headers) == {"test": 2432232314}
    with pytest.raises(WebhookVerificationError):
        Webhook("whsec_plJ3nmyCDGBKInavdOK15jsl").verify(BODY, headers)


@pytest.mark.parametrize("part", ["webhook-signature", "webhook-id", "webhook-timestamp", "body"])
def test_an_altered_message_fails(part: str) -> None:
    now = datetime.now(UTC)
    headers, body = headers_of([SECRET], ID, now, BODY), BODY
    good = headers["webhook-signature"]
    changed = {
        "webhook-signature": good[:-4] + ("OA==" if good[-4:] != "OA==" else "OE=="),
        "webhook-id": ID[:-1] + "x",
        "webhook-timestamp": str(int(now.timestamp()) - 1),
    }
    if part == "body":
        body = BODY.replace("2432232314", "2432232315")
    else:
        headers[part] = changed[part]
    with pytest.raises(WebhookVerificationError):
        Webhook(SECRET).verify(body, headers)


def test_the_published_signature_with_another_end_is_not_ours() -> None:
    headers = headers_of([SECRET], ID, datetime.fromtimestamp(SECONDS, UTC), BODY)
    assert headers["webhook-signature"] != SIGNATURE.removesuffix("OE=") + "OA="
