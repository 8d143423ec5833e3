"""Which quotas a caller has, and counting a request under each.

A secret key has a quota of its own. A publishable key is everybody's who opens the page: each visitor has a
quota, so that one cannot use up what all share, and the key has one over all. Without a valid key, an address
has a quota.
"""

from __future__ import annotations

import ipaddress
from typing import NamedTuple

from service.keys.callers import Caller
from service.keys.kinds import PUBLISHABLE
from service.limits.counters import Shared, Taken
from service.settings import Settings


class Policy(NamedTuple):
    """A quota: its name in headers, whom it counts, and how many requests in a window."""

    name: str
    whom: str
    quota: int


class Limits:
    """The limits of one server, by the counts that its workers share."""

    def __init__(self, settings: Settings, counted: Shared) -> None:
        self._settings = settings
        self._counted = counted
        self.window = settings.limit_seconds

    def take(self, caller: Caller | None, address: str | None) -> list[tuple[Policy, Taken]]:
        """Count one request under each policy, up to the first that refuses it."""
        found = []
        for policy in self._policies(caller, place_of(address)):
            counters = self._counted.keys if policy.name == "key" else self._counted.addresses
            taken = counters.take(policy.whom, policy.quota, self.window)
            found.append((policy, taken))
            if not taken.allowed:  # and what is refused here takes nothing from what others share
                break
        return found

    def _policies(self, caller: Caller | None, place: str) -> list[Policy]:
        have = self._settings
        if caller is None:
            found = [Policy("address", place, have.limit_address)]
        elif caller.kind == PUBLISHABLE:
            visitor = Policy("visitor", f"{caller.key_id} {place}", have.limit_visitor)
            found = [visitor, Policy("key", caller.key_id, have.limit_publishable)]
        else:
            found = [Policy("key", caller.key_id, have.limit_secret)]
        return [policy for policy in found if policy.quota]


def place_of(address: str | None) -> str:
    """Where a caller asks from: an IPv4 address, or the network that one holder of IPv6 addresses has."""
    if address is None or ":" not in address:
        return address or ""
    try:
        found = ipaddress.IPv6Address(address.partition("%")[0])
    except ValueError:
        return address
    return str(found.ipv4_mapped or ipaddress.IPv6Network((int(found) >> 64 << 64, 64)))
