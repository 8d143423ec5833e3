"""Which addresses of the Internet are public, and which others a setting lets in."""

from __future__ import annotations

import re
from collections.abc import Sequence
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import NamedTuple

# All unicast addresses of the public Internet (RFC 4291); what embeds an IPv4 address by NAT64 lies outside.
_UNICAST = IPv6Network("2000::/3")
# Protocols' own addresses and 6to4 relays (RFC 6890, RFC 7526), some of which Python calls global.
_PROTOCOLS = (IPv4Network("192.0.0.0/24"), IPv4Network("192.88.99.0/24"))
_NAME = re.compile(r"[a-z0-9_-]+(\.[a-z0-9_-]+)*", re.ASCII)


def is_public(text: str) -> bool:
    """Say whether this address belongs to the public Internet, in whatever form it embeds another."""
    address = ip_address(text)
    if isinstance(address, IPv4Address):
        own = any(address in network for network in _PROTOCOLS)
        return address.is_global and not address.is_multicast and not own
    teredo = address.teredo or ()
    embedded = [one for one in (address.sixtofour, *teredo) if one is not None]
    return address in _UNICAST and address.is_global and not embedded


def plain(text: str) -> str:
    """Return an address without a zone; an IPv4 address that IPv6 maps as IPv4."""
    address = ip_address(text.partition("%")[0])
    mapped = address.ipv4_mapped if isinstance(address, IPv6Address) else None
    return str(mapped or address)


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
