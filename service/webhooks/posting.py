"""Post a message to a receiver: its name may lead into our own network, and its answer may never end.

The name is looked up once for each attempt, all its addresses are checked, and the connection goes to one of
those and no other, with the name in Host and in TLS. A redirect is not followed.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from functools import cache
from socket import SOCK_STREAM, getaddrinfo
from typing import NamedTuple

import httpx

from models.costs import WEBHOOK_ADDRESSES, WEBHOOK_ANSWER_BYTES, WEBHOOK_ANSWER_SECONDS
from service.networks.addresses import is_public, plain
from service.networks.setting import Networks
from service.webhooks.leases import Reply

Resolve = Callable[[str, int], Sequence[str]]
_PORTS = {"https": 443, "http": 80}
_AGENT = "Bookmatch-Webhooks"


class Route(NamedTuple):
    """The way to a receiver. `addresses`: those that its name leads to now; none if it cannot be gone."""

    url: httpx.URL
    addresses: Sequence[str]
    why: str = ""


def resolved(host: str, port: int) -> Sequence[str]:
    """Return the addresses that this name leads to now. Raises OSError."""
    return list(dict.fromkeys(str(found[4][0]) for found in getaddrinfo(host, port, type=SOCK_STREAM)))


def route_to(text: str, networks: Networks, resolve: Resolve = resolved) -> Route:
    """Look up the name of a receiver, and check all that it leads to."""
    url = httpx.URL(text)
    host = url.raw_host.decode("ascii")
    try:
        found = [plain(one) for one in resolve(host, port_of(url))]
    except (OSError, UnicodeError, ValueError):
        found = []
    own = [one for one in found if networks.lets_in(host, one)]
    # A name that is not known and one of our own network get the same words, so that nobody finds out names.
    if not found or not all(one in own or is_public(one) for one in found):
        return Route(url, (), "its name leads to no public address")
    if url.scheme != "https" and len(own) < len(found):
        return Route(url, (), "http is for the service's own networks only")
    return Route(url, found[:WEBHOOK_ADDRESSES])


def port_of(url: httpx.URL) -> int:
    """Return the port of an address, the usual one of its scheme if it names none."""
    return url.port or _PORTS[url.scheme]


def client(seconds: float) -> httpx.AsyncClient:
    """Return a client for one receiver, which no setting of the environment sends elsewhere."""
    return httpx.AsyncClient(
        timeout=seconds,
        trust_env=False,
        follow_redirects=False,
        verify=trust(),
        headers={"User-Agent": _AGENT},
    )


@cache
def trust() -> ssl.SSLContext:
    """Return the certificates that the system trusts, which take a while to read."""
    return ssl.create_default_context()


async def post(
    by: httpx.AsyncClient, route: Route, headers: Mapping[str, str], body: str, seconds: float
) -> Reply:
    """Post a message within so many seconds, and say how it ended."""
    if not route.addresses:
        return Reply(None, route.why)
    try:
        async with asyncio.timeout(seconds):
            answer = await _answered(by, route, headers, body)
    except TimeoutError:
        return Reply(None, f"it did not answer within {seconds:g} seconds")
    except (httpx.HTTPError, OSError, ValueError) as error:
        return Reply(None, _in_words(error))
    await _let_end(answer)
    return _judged(answer)


async def _answered(
    by: httpx.AsyncClient, route: Route, headers: Mapping[str, str], body: str
) -> httpx.Response:
    """Return the head of the answer of the first address that can be reached."""
    named = {"Host": route.url.netloc.decode("ascii"), "Content-Type": "application/json", **headers}
    in_tls = {"sni_hostname": route.url.raw_host.decode("ascii")}
    *others, last = [
        by.build_request(
            "POST", route.url.copy_with(host=one), content=body, headers=named, extensions=in_tls
        )
        for one in route.addresses
    ]
    for request in others:
        with suppress(httpx.ConnectError):
            return await by.send(request, stream=True)
    return await by.send(last, stream=True)


async def _let_end(answer: httpx.Response) -> None:
    """Read a little of the body, which says nothing to us, so that an honest receiver can end."""
    with suppress(TimeoutError, httpx.HTTPError, OSError):
        async with asyncio.timeout(WEBHOOK_ANSWER_SECONDS):
            await _read(answer)
    await answer.aclose()


async def _read(answer: httpx.Response) -> None:
    read = 0
    async for chunk in answer.aiter_raw():
        read += len(chunk)
        if read > WEBHOOK_ANSWER_BYTES:
            return


def _judged(answer: httpx.Response) -> Reply:
    status = answer.status_code
    if 200 <= status < 300:
        return Reply(status, None)
    if 300 <= status < 400:
        return Reply(status, f"it answered {status}, a redirect, and none is followed")
    return Reply(status, f"it answered {status}", _pause(answer.headers.get("Retry-After", "")))


def _pause(text: str) -> float:
    """Read Retry-After: seconds, or a moment (RFC 9110)."""
    if text.isascii() and text.isdecimal() and len(text) < 10:
        return float(text)
    with suppress(ValueError):
        return max(0.0, (parsedate_to_datetime(text).astimezone(UTC) - datetime.now(UTC)).total_seconds())
    return 0.0


def _in_words(error: Exception) -> str:
    if isinstance(error, httpx.ConnectTimeout | httpx.ReadTimeout | httpx.WriteTimeout):
        return "it did not answer in time"
    if isinstance(error, httpx.ConnectError):
        tls = "certificate" in str(error).lower() or "ssl" in str(error).lower()
        return "its certificate cannot be trusted" if tls else "nothing answers at its address"
    return f"the conversation broke off: {type(error).__name__}"
