"""The quotas of a caller, and the counts of its requests under each.

A system key has a quota. A website key, which every visitor of the page uses, has a quota for each visitor
and one for all together, so that no visitor can use up the quota of all. Without a valid key, or with a
website key from a page that is not its own, the caller's address has a quota. An owner's link counts as a
visitor of its request.
"""

from __future__ import annotations

import ipaddress
from typing import NamedTuple

from service.errors import LimitError
from service.keys.callers import Caller
from service.keys.kinds import OWNER, SYSTEM, WEBSITE
from service.server.counters import Shared, Taken
from service.server.shared_counters import CounterStore, of_all_servers
from service.settings import Settings

_HOUR, _DAY = 3_600, 86_400  # in seconds
_MOST = 2**32 - 1  # more than anyone sends
_PHOTOGRAPHS_SHARE = 8  # the part of a day's photographs that one network can send is one in so many


class Policy(NamedTuple):
    """A quota: its name, the number of requests allowed in a window, and its text in headers."""

    name: str
    quota: int
    header: str


class Limits:
    """The quotas of a service, counted by all workers of a server together, or of all servers."""

    def __init__(self, settings: Settings, counted: Shared) -> None:
        self._store = CounterStore(settings.limits, settings.secret) if settings.limits else None
        self._counted = of_all_servers(self._store, counted) if self._store else counted
        self.window = settings.limit_seconds
        self._stored = settings.limit_stored
        self._photographs = settings.limit_photographs
        self._requests = settings.limit_visitor_requests, settings.limit_website_requests
        self._unproved = settings.limit_unproved_requests
        self._secret = self._policy("key", settings.limit_system)
        self._published = self._policy("key", settings.limit_website)
        self._visitor = self._policy("visitor", settings.limit_visitor)
        self._address = self._policy("address", settings.limit_address)

    @property
    def problem(self) -> str | None:
        """The fault of the counts that servers share; None if there is none, or they share none."""
        return self._store.problem if self._store else None

    def _policy(self, name: str, quota: int) -> Policy:
        return Policy(name, quota, f'"{name}";q={quota};w={self.window}')

    def take(self, caller: Caller | None, address: str | None) -> list[tuple[Policy, Taken]]:
        """Count one request under each policy, up to the first that refuses it.

        `caller`: None if the request counts against its address alone.
        """
        found = []
        for policy, whom in self._asked_of(caller, address):
            if not policy.quota:
                continue
            counters = self._counted.keys if policy.name == "key" else self._counted.addresses
            taken = counters.take(whom, policy.quota, self.window)
            found.append((policy, taken))
            if not taken.allowed:  # a refused visitor must not use up the quota of all
                break
        return found

    def attempt(self, what: str, address: str | None, quota: int, seconds: int) -> None:
        """Count an attempt of the address's network. Raises LimitError beyond so many in so many seconds."""
        taken = self._counted.addresses.take(f"{what} {network_of(address)}", quota, seconds)
        if not taken.allowed:
            raise LimitError(what, quota, seconds, taken.seconds, "attempts")

    def keep(self, caller: Caller, size: int) -> None:
        """Count bytes stored for a website key or an owner's link. Raises LimitError beyond a day's quota."""
        if caller.kind == SYSTEM or not self._stored:
            return
        taken = self._counted.keys.take(f"stored {caller.key_id}", self._stored, _DAY, size)
        if not taken.allowed:
            raise LimitError("stored", self._stored, _DAY, taken.seconds, "bytes of valuations")

    def keep_photograph(self, caller: Caller, address: str | None, size: int) -> None:
        """Count bytes of a photograph that came by a website key or an owner's link.

        Raises LimitError beyond the quota of a day, of which one network has a share.
        """
        if caller.kind == SYSTEM or not self._photographs:
            return
        network, key = f"photographs {network_of(address)}", f"photographs {caller.key_id}"
        for counters, whom, quota in (
            (self._counted.addresses, network, self._photographs // _PHOTOGRAPHS_SHARE),
            (self._counted.keys, key, self._photographs),
        ):
            taken = counters.take(whom, quota, _DAY, size)
            if not taken.allowed:
                raise LimitError("photographs", quota, _DAY, taken.seconds, "bytes of photographs")

    def needs_proof(self, network: str) -> bool:
        """Say whether so many requests for appraisals came from a network that the next needs a proof."""
        counted = self._counted.addresses.count(f"requests {network}", _HOUR)
        return bool(self._unproved) and counted >= self._unproved

    def ask(self, caller: Caller, network: str) -> None:
        """Count a request for an appraisal by a website key. Raises LimitError beyond either quota."""
        visitor, website = self._requests
        counted, of = self._counted, "requests for appraisals"
        taken = counted.addresses.take(f"requests {network}", visitor or _MOST, _HOUR)
        if not taken.allowed:  # a refused visitor must not use up the quota of all
            raise LimitError("visitor-requests", visitor, _HOUR, taken.seconds, of)
        taken = counted.keys.take(f"requests {caller.key_id}", website or _MOST, _DAY)
        if not taken.allowed:
            raise LimitError("key-requests", website, _DAY, taken.seconds, of)

    def first_use(self, name: str, seconds: int) -> bool:
        """Say whether this name is used for the first time in so many seconds, and use it."""
        return self._counted.addresses.take(name, 1, seconds).allowed

    def used_up(self, address: str | None) -> bool:
        """Say whether the address's own quota is used up; this counts nothing."""
        quota, whom = self._address.quota, network_of(address)
        return bool(quota) and self._counted.addresses.count(whom, self.window) >= quota

    def _asked_of(self, caller: Caller | None, address: str | None) -> list[tuple[Policy, str]]:
        """Return the policies of a request, each with the name that it counts by."""
        if caller is None:
            return [(self._address, network_of(address))]
        if caller.kind == WEBSITE:
            visitor = f"{caller.key_id} {network_of(address)}"
            return [(self._visitor, visitor), (self._published, caller.key_id)]
        if caller.kind == OWNER:
            return [(self._visitor, f"{caller.request_id} {network_of(address)}")]
        return [(self._secret, caller.key_id)]


def network_of(address: str | None) -> str:
    """Return the caller's network: an IPv4 address, or an IPv6 block of 64 bits, which one holder has.

    A port, which some proxies add, is left out: a caller has many.
    """
    if address is None or ":" not in address:
        return address or ""
    host = address.removeprefix("[").partition("]")[0]
    if host.count(":") == 1:  # an IPv4 address with a port
        return host.partition(":")[0]
    try:
        found = ipaddress.IPv6Address(host.partition("%")[0])
    except ValueError:
        return address
    return str(found.ipv4_mapped or ipaddress.IPv6Network((int(found) >> 64 << 64, 64)))
