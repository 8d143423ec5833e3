"""The addresses that belong to the public Internet."""

from __future__ import annotations

from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address

# All unicast addresses of the public Internet (RFC 4291); what embeds an IPv4 address by NAT64 lies outside.
_UNICAST = IPv6Network("2000::/3")
# Protocols' own addresses and 6to4 relays (RFC 6890, RFC 7526), some of which Python calls global.
_PROTOCOLS = (IPv4Network("192.0.0.0/24"), IPv4Network("192.88.99.0/24"))


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
