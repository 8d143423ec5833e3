"""The quotas of a caller, and the counts of its requests under each.

A system key has a quota of its own. A website key is everybody's who opens the page: each visitor has a
quota, so that one cannot use up what all share, and the key has one over all. Without a valid key, an address
has a quota.
"""

from __future__ import annotations

import ipaddress
from typing import NamedTuple

from service.keys.callers import Caller
from service.keys.kinds import WEBSITE
from service.server.counters import Shared, Taken
from service.settings import Settings


class Policy(NamedTuple):
    """A quota of so many requests in a window: its name, and how headers have it."""

    name: str
    quota: int
    header: str


class Limits:
    """The limits of one server, by the counts that its workers share."""

    def __init__(self, settings: Settings, counted: Shared) -> None:
        self._counted = counted
        self.window = settings.limit_seconds
        self._secret = self._policy("key", settings.limit_system)
        self._published = self._policy("key", settings.limit_website)
        self._visitor = self._policy("visitor", settings.limit_visitor)
        self._address = self._policy("address", settings.limit_address)

    def _policy(self, name: str, quota: int) -> Policy:
        return Policy(name, quota, f'"{name}";q={quota};w={self.window}')

    def take(self, caller: Caller | None, address: str | None) -> list[tuple[Policy, Taken]]:
        """Count one request under each policy, up to the first that refuses it."""
        found = []
        for policy, whom in self._asked_of(caller, address):
            if not policy.quota:
                continue
            counters = self._counted.keys if policy.name == "key" else self._counted.addresses
            taken = counters.take(whom, policy.quota, self.window)
            found.append((policy, taken))
            if not taken.allowed:  # and what is refused here takes nothing from what others share
                break
        return found

    def _asked_of(self, caller: Caller | None, address: str | None) -> list[tuple[Policy, str]]:
        """The policies of a request, and whom each of them counts."""
        if caller is None:
            return [(self._address, network_of(address))]
        if caller.kind == WEBSITE:
            visitor = f"{caller.key_id} {network_of(address)}"
            return [(self._visitor, visitor), (self._published, caller.key_id)]
        return [(self._secret, caller.key_id)]


def network_of(address: str | None) -> str:
    """Give the network of a caller: an IPv4 address, or the block that one holder of IPv6 addresses has."""
    if address is None or ":" not in address:
        return address or ""
    try:
        found = ipaddress.IPv6Address(address.partition("%")[0])
    except ValueError:
        return address
    return str(found.ipv4_mapped or ipaddress.IPv6Network((int(found) >> 64 << 64, 64)))
