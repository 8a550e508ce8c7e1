"""Which addresses may be connected to: the guard against being sent after machines that are nobody's business.

Whoever may name an endpoint's host could otherwise have us post to what only this machine can reach (server-side
request forgery). A host's name is looked up once; every address it has must pass, and the connection is made to those
very addresses: a name that answers differently a moment later changes nothing.

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
"""Host and port to addresses as text. Raises OSError where there are none."""

_PUBLIC_6: Final = IPv6Network("2000::/3")
"""All that has ever been given out to public IPv6 hosts; whatever lies outside has a special meaning."""
_NAT64: Final = IPv6Network("64:ff9b::/96")
_SPECIAL_6: Final = {
    IPv6Network("2001::/23"): "of IETF protocols, Teredo among them",
    IPv6Network("2001:db8::/32"): "for documentation",
    IPv6Network("2002::/16"): "6to4, which leads to an IPv4 address",
    IPv6Network("3fff::/20"): "for documentation",
}
_RELAY_4: Final = IPv4Network("192.88.99.0/24")


class ForbiddenAddressError(OSError):
    """A host has an address that may not be connected to. The message names it, why, and the remedy."""


def networks(texts: Iterable[str]) -> tuple[Network, ...]:
    """Networks from texts such as `10.1.0.0/16` or `fd00::/8`. Raises ValueError."""
    return tuple(ip_network(text) for text in texts)


def fault(address: Address, allowed: Sequence[Network]) -> str | None:
    """Why an address may not be connected to; None if it may. `allowed` are networks that may, though private."""
    if isinstance(address, IPv6Address):
        inner = address.ipv4_mapped
        if inner is None and address in _NAT64:
            inner = IPv4Address(int(address) & 0xFFFF_FFFF)
        if inner is not None:
            return fault(inner, allowed)
    if address.is_unspecified or address.is_multicast or address == IPv4Address("255.255.255.255"):
        return "is no single machine's"
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


def checked(
    host: str, port: int, allowed: Sequence[Network], timeout_s: float, resolve: Resolver
) -> list[str]:
    """The host's addresses, each once and each fit to be connected to.

    Raises ForbiddenAddressError if any of them is not, TimeoutError, or the OSError of a name that is not known.
    """
    found = list(dict.fromkeys(_within(timeout_s, lambda: resolve(host, port))))
    for text in found:
        why = fault(ip_address(text), allowed)
        if why is not None:
            named = "" if text == host else f" (for {host})"
            raise ForbiddenAddressError(
                f"not connected: {text}{named} {why}; if it is meant, name its network in allow_private"
            )
    return found


def look_up(host: str, port: int) -> list[str]:
    """All addresses that this machine's resolver knows, in its order of preference."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return [str(sockaddr[0]) for *_, sockaddr in found]


def is_private(text: str) -> bool:
    """Whether an address is not one of the open internet's."""
    return fault(ip_address(text), ()) is not None


def _within(timeout_s: float, work: Callable[[], list[str]]) -> list[str]:
    """The resolver knows no time limit: it is left to itself when it takes too long."""
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
