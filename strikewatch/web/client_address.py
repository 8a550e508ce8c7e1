"""The client's address, found behind the proxies that the settings trust.

`Forwarded` is RFC 7239. `X-Forwarded-For` has no standard: each proxy appends the address that it was reached from.
A client can send either header itself, so only the part that trusted proxies appended counts: the rightmost address
that is not a trusted proxy.
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

FORWARDING: Final = ("forwarded", "via", "x-real-ip")
"""Headers that a proxy adds: a request with one of them was not made at this machine."""
FORWARDING_PREFIX: Final = "x-forwarded-"
"""Headers that begin with this are such headers too."""
IPV6_BITS: Final = 64
"""One customer gets a whole IPv6 network of this size (RFC 6177), so its addresses count as one client."""
_PORT: Final = re.compile(r":[\w.-]+$", re.ASCII)


@dataclass(frozen=True, slots=True)
class Client:
    """The sender of a request. `name`: failed sign-ins are counted under it; `local`: certainly this machine."""

    name: str
    local: bool


def find_client(request: "Request", proxies: Sequence[Network]) -> Client:
    """Find the client of a request that came in directly or through `proxies`."""
    peer = _address(request.client.host if request.client else "")
    if peer is None:
        return Client("", False)
    headers = request.headers
    trusted = any(peer in network for network in proxies)
    if not trusted:
        return Client(_name(peer), peer.is_loopback and not is_forwarded(headers))
    by_header = (
        [_node(node) for value in headers.getlist("x-forwarded-for") for node in value.split(",")],
        [_node(_for(element)) for value in headers.getlist("forwarded") for element in _split(value, ",")],
    )
    names = {_rightmost_untrusted(peer, hops, proxies) for hops in by_header if hops}
    # A proxy appends to one of the headers and passes the other on as the client wrote it: if they differ,
    # neither counts.
    return Client(names.pop() if len(names) == 1 else _name(peer), False)


def is_forwarded(names: Iterable[str]) -> bool:
    """Return whether a proxy has passed a request on, by the names of its headers in lower case."""
    return any(name in FORWARDING or name.startswith(FORWARDING_PREFIX) for name in names)


def networks(texts: Iterable[str]) -> tuple[Network, ...]:
    """Parse networks and single addresses. Raises ValueError naming the first text that is neither."""
    parsed = []
    for text in texts:
        try:
            parsed.append(ip_network(text))
        except ValueError as error:
            raise ValueError(f"{error}: write a network such as 10.1.0.0/16, or an address") from None
    return tuple(parsed)


def client_name(text: str) -> str:
    """Return the name of the client at an address; the text itself if it is not an address."""
    address = _address(text)
    return text if address is None else _name(address)


def is_trusted(text: str, proxies: Sequence[Network]) -> bool:
    """Return whether an address is one of a trusted proxy."""
    address = _address(text)
    return address is not None and any(address in network for network in proxies)


def _rightmost_untrusted(peer: Address, hops: Sequence[Address | None], proxies: Sequence[Network]) -> str:
    """Return the rightmost hop that is not a trusted proxy; if it is not an address, the proxy that named it."""
    current = peer
    for hop in reversed(hops):
        if hop is None or not any(current in network for network in proxies):
            break
        current = hop
    return _name(current)


def _for(element: str) -> str:
    """Return the node that an element of `Forwarded` names, "" if none."""
    pairs = (pair.strip().partition("=") for pair in _split(element, ";"))
    return next((value for name, _, value in pairs if name.lower() == "for"), "")


def _split(text: str, separator: str) -> list[str]:
    """Split at separators outside quotes."""
    parts, begin, quoted, escaped = [], 0, False, False
    for i, character in enumerate(text):
        if escaped:
            escaped = False
        elif quoted and character == "\\":
            escaped = True
        elif character == '"':
            quoted = not quoted
        elif character == separator and not quoted:
            parts.append(text[begin:i])
            begin = i + 1
    return [*parts, text[begin:]]


def _node(text: str) -> Address | None:
    """Parse an address as proxies write it: quoted, in brackets, with a port. None for anything else."""
    text = text.strip().strip('"')
    if text.startswith("["):
        return _address(_PORT.sub("", text).removeprefix("[").removesuffix("]"))
    return _address(text) or _address(_PORT.sub("", text))


def _address(text: str) -> Address | None:
    try:
        address = ip_address(text)
    except ValueError:
        return None
    return (address.ipv4_mapped or address) if isinstance(address, IPv6Address) else address


def _name(address: Address) -> str:
    if isinstance(address, IPv6Address):
        return str(IPv6Network((int(address), IPV6_BITS), strict=False))
    return str(address)
