"""Where a request comes from: the client's address, beyond the proxies that the settings trust.

`Forwarded` is RFC 7239. `X-Forwarded-For` has no standard: each proxy appends the address that it was reached from.
Anybody can send either, so only what a trusted proxy has appended is believed: the rightmost address that is not a
trusted proxy itself.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from starlette.requests import Request

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network

FORWARDING: Final = (
    "forwarded",
    "via",
    "x-forwarded-for",
    "x-forwarded-host",
    "x-forwarded-proto",
    "x-real-ip",
)
"""Headers that a proxy adds: a request that bears one was not made by somebody at this machine."""
IPV6_BITS: Final = 64
"""One customer holds a whole IPv6 network of this size (RFC 6177), so its addresses count as one client."""
_PORT: Final = re.compile(r":[\w.-]+$", re.ASCII)


@dataclass(frozen=True, slots=True)
class Client:
    """Who asks. `name`: what failed sign-ins are counted under; `local`: whether it is certainly this machine."""

    name: str
    local: bool


def client(request: "Request", proxies: Sequence[Network]) -> Client:
    """Find the client of a request that came in directly or through `proxies`."""
    peer = _address(request.client.host if request.client else "")
    if peer is None:
        return Client("", False)
    headers = request.headers
    trusted = any(peer in network for network in proxies)
    if not trusted:
        direct = not any(name in headers for name in FORWARDING)
        return Client(_name(peer), peer.is_loopback and direct)
    appended = _hops(headers.getlist("x-forwarded-for"))
    standard = _forwarded(headers.getlist("forwarded"))
    found = {_beyond(peer, hops, proxies) for hops in (appended, standard) if hops}
    # A proxy appends to one of the two and passes the other on as the client wrote it: where they differ,
    # neither is believed.
    return Client(found.pop() if len(found) == 1 else _name(peer), False)


def networks(texts: Iterable[str]) -> tuple[Network, ...]:
    """Read networks or single addresses. Raises ValueError naming the first that is neither."""
    found = []
    for text in texts:
        try:
            found.append(ip_network(text))
        except ValueError as error:
            raise ValueError(f"{error}: write a network such as 10.1.0.0/16, or an address") from None
    return tuple(found)


def _beyond(peer: Address, hops: Sequence[Address | None], proxies: Sequence[Network]) -> str:
    """The rightmost hop that is not a trusted proxy; where it is not an address, the proxy that named it."""
    at = peer
    for hop in reversed(hops):
        if hop is None or not any(at in network for network in proxies):
            break
        at = hop
    return _name(at)


def _hops(values: Iterable[str]) -> list[Address | None]:
    return [_node(node) for value in values for node in value.split(",")]


def _forwarded(values: Iterable[str]) -> list[Address | None]:
    return [_node(_for(element)) for value in values for element in _split(value, ",")]


def _for(element: str) -> str:
    """The node that an element of `Forwarded` names; empty where it names none."""
    pairs = (pair.strip().partition("=") for pair in _split(element, ";"))
    return next((value for name, _, value in pairs if name.lower() == "for"), "")


def _split(text: str, mark: str) -> list[str]:
    """The parts between marks that are not within quotes."""
    parts, begin, quoted, escaped = [], 0, False, False
    for i, character in enumerate(text):
        if escaped:
            escaped = False
        elif quoted and character == "\\":
            escaped = True
        elif character == '"':
            quoted = not quoted
        elif character == mark and not quoted:
            parts.append(text[begin:i])
            begin = i + 1
    return [*parts, text[begin:]]


def _node(text: str) -> Address | None:
    """An address as proxies write it: quoted, in brackets, with a port. None for anything else."""
    text = text.strip().strip('"')
    if text.startswith("["):
        return _address(_PORT.sub("", text).removeprefix("[").removesuffix("]"))
    return _address(text) or _address(_PORT.sub("", text))


def _address(text: str) -> Address | None:
    try:
        found = ip_address(text)
    except ValueError:
        return None
    return (found.ipv4_mapped or found) if isinstance(found, IPv6Address) else found


def _name(address: Address) -> str:
    if isinstance(address, IPv6Address):
        return str(IPv6Network((int(address), IPV6_BITS), strict=False))
    return str(address)
