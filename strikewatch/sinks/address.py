"""Decide which addresses may be connected to: the guard against server-side request forgery.

Without it, a person who may set an endpoint's host could make us post to machines that only this one can reach. A host
name is looked up once; each of its addresses must be allowed, and the connection is made to one of these addresses, so
that a name which resolves differently a moment later has no effect.

Ranges: IANA's special-purpose address registries (RFC 6890 as updated), RFC 6052 (NAT64), RFC 7526 (6to4 deprecated).
"""

import socket
import threading
from collections.abc import Callable, Iterable, Sequence
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import Final

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network
Resolver = Callable[[str, int], list[str]]
"""(host, port) → addresses as text. Raises OSError if there are none."""

_PUBLIC_6: Final = IPv6Network("2000::/3")
"""The range of public IPv6 hosts; addresses outside it have special meanings."""
_NAT64: Final = IPv6Network("64:ff9b::/96")
_SPECIAL_6: Final = {
    IPv6Network("2001::/23"): "of IETF protocols, Teredo among them",
    IPv6Network("2001:db8::/32"): "for documentation",
    IPv6Network("2002::/16"): "6to4, which leads to an IPv4 address",
    IPv6Network("3fff::/20"): "for documentation",
}
_RELAY_4: Final = IPv4Network("192.88.99.0/24")


class ForbiddenAddressError(OSError):
    """A host has an address that may not be connected to; the message gives it, the reason and the remedy."""


def parse_networks(texts: Iterable[str]) -> tuple[Network, ...]:
    """Parse networks such as `10.1.0.0/16` or `fd00::/8`. Raises ValueError."""
    return tuple(ip_network(text) for text in texts)


def rejection_reason(address: Address, allowed: Sequence[Network]) -> str | None:
    """Return why an address may not be connected to; None if it may. `allowed`: permitted private networks."""
    if isinstance(address, IPv6Address):
        inner = address.ipv4_mapped
        if inner is None and address in _NAT64:
            inner = IPv4Address(int(address) & 0xFFFF_FFFF)
        if inner is not None:
            return rejection_reason(inner, allowed)
    if address.is_unspecified or address.is_multicast or address == IPv4Address("255.255.255.255"):
        return "is not the address of a single machine"
    if any(address.version == network.version and address in network for network in allowed):
        return None
    if address.is_loopback:
        return "is this machine itself"
    if address.is_link_local:
        return "is link-local"
    if isinstance(address, IPv4Address):
        if address in _RELAY_4 or address.is_reserved:
            return "is reserved"
        return None if address.is_global else "is private"
    for network, why in _SPECIAL_6.items():
        if address in network:
            return f"is {why}"
    return None if address in _PUBLIC_6 else "is private or reserved"


def resolve_allowed(
    host: str, port: int, allowed: Sequence[Network], timeout_s: float, resolve: Resolver
) -> list[str]:
    """Resolve a host; return its addresses without duplicates.

    Raises ForbiddenAddressError if any of them may not be connected to, TimeoutError, or OSError for an unknown name.
    """
    found = list(dict.fromkeys(_with_timeout(timeout_s, lambda: resolve(host, port))))
    for text in found:
        why = rejection_reason(ip_address(text), allowed)
        if why is not None:
            named = "" if text == host else f" (for {host})"
            raise ForbiddenAddressError(
                f"not connected: {text}{named} {why}; if this is intended, add its network to allow_private"
            )
    return found


def system_resolver(host: str, port: int) -> list[str]:
    """Resolve with this machine's resolver; return all addresses in its order of preference."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return [str(sockaddr[0]) for *_, sockaddr in found]


def is_private(text: str) -> bool:
    """Return whether an address is not a public internet address."""
    return rejection_reason(ip_address(text), ()) is not None


def _with_timeout(timeout_s: float, work: Callable[[], list[str]]) -> list[str]:
    """Run the look-up in a thread and abandon it after `timeout_s`, since the resolver has no time limit."""
    done: list[list[str] | OSError] = []

    def run() -> None:
        try:
            done.append(work())
        except (OSError, UnicodeError) as error:
            done.append(error if isinstance(error, OSError) else OSError(str(error)))

    thread = threading.Thread(target=run, name="look-up", daemon=True)
    thread.start()
    thread.join(timeout_s)
    if not done:
        raise TimeoutError(f"the name was not found within {timeout_s:g} s")
    if isinstance(done[0], OSError):
        raise done[0]
    return done[0]
