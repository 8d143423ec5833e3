"""The setting that lets in hosts and networks that are not public."""

from __future__ import annotations

import re
from collections.abc import Sequence
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network
from typing import NamedTuple

_NAME = re.compile(r"[a-z0-9_-]+(\.[a-z0-9_-]+)*", re.ASCII)


class Networks(NamedTuple):
    """Hosts by name, and networks, that are let in though they are not public."""

    names: frozenset[str]
    networks: Sequence[IPv4Network | IPv6Network]

    def lets_in(self, host: str, address: str) -> bool:
        """Say whether this address of the host is let in by the setting."""
        found = ip_address(address)
        return host.lower() in self.names or any(found in network for network in self.networks)


def read_networks(text: str) -> Networks:
    """Read names and networks with commas between them. Raises ValueError."""
    names, networks = set(), []
    for one in filter(None, (part.strip().lower() for part in text.split(","))):
        if _NAME.fullmatch(one) and not one.rpartition(".")[2].isdecimal():
            names.add(one)
        else:
            networks.append(ip_network(one, strict=False))
    return Networks(frozenset(names), tuple(networks))
