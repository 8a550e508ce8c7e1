"""Authentication: bearer tokens, sessions of the page, roles, and a limit on failed sign-ins.

Until the first token is made, this machine may view everything and change nothing: an action needs a name on record.
From the first token on, even a revoked one, every request needs a token; with `local_view_without_token` this machine
may still view. A request that came through a proxy is never from this machine; with a proxy in the settings, none is.

A valid token or session always passes. Only failures are limited, so that nobody can lock out others who share an
address or a proxy. Invalid cookies are not counted: a browser sends an old one by itself.

A browser also sends the cookie of a session with requests that another site makes. So a request that changes something
must come from our own page (`Sec-Fetch-Site`) and carry the session's CSRF token, which only our pages can read.

The client's address is found behind the proxies that the settings trust. `Forwarded` is RFC 7239. `X-Forwarded-For` has
no standard: each proxy appends the address that it was reached from. A client can send either header itself, so only
the part that trusted proxies appended counts: the rightmost address that is not a trusted proxy.
"""

import hashlib
import hmac
import re
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address, IPv6Network, ip_address
from typing import Final

from starlette.requests import Request

from strikewatch.core.instant import Instant
from strikewatch.storage.actions import tokens
from strikewatch.storage.actions.tokens import Holder, Role
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.web.api.problems import Problem
from strikewatch.web.settings import Network, Settings, is_loopback, networks

ANONYMOUS: Final = Holder("", "view", 0, None)
"""The holder for a person at this machine who has no token and needs none."""
SESSION_COOKIE: Final = "strikewatch_session"
CSRF_HEADERS: Final = ("strikewatch-csrf-token", "strikewatch-seal")
"""Headers that carry the CSRF token; pages opened before an upgrade send the second one."""
WINDOW_S: Final = 60.0
REMEMBERED: Final = 10_000
"""Credentials, and clients, whose failures are remembered; the oldest are dropped first."""
_DIGEST_LENGTH: Final = 16
"""Hex digits of the digest under which a token's failures are counted: 64 bits, useless for signing in."""
_ADD_TOKEN: Final = "strikewatch token add NAME --role act"


Address = IPv4Address | IPv6Address

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


def find_client(request: Request, proxies: Sequence[Network]) -> Client:
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


class Authenticator:
    """Decides who sends a request and whether their role allows it. `wall` gives ns, `monotonic` s."""

    def __init__(
        self,
        settings: Settings,
        database: DatabaseAccess,
        wall: Callable[[], Instant],
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settings = settings
        self._database = database
        self._wall = wall
        self._proxies = networks(settings.trusted_proxies)
        self._limiter = FailureLimiter(settings.failures, monotonic)

    def authenticate(self, request: Request, role: Role) -> Holder:
        """Return the sender. Raises Problem: 401 unknown, 403 not allowed, 429 too many failures."""
        client = find_client(request, self._proxies)
        scheme, _, token = request.headers.get("authorization", "").partition(" ")
        bearer = scheme.lower() == "bearer"  # any other scheme concerns the browser and a proxy
        cookie = request.cookies.get(SESSION_COOKIE, "")
        holder = None
        with self._database.read() as connection:
            if bearer:
                holder = tokens.holder_of(connection, token.strip())
            elif cookie:
                holder = tokens.session_holder(connection, cookie, self._wall())
            local = holder is None and not scheme and self._is_local(request, client)
            if local and (self._settings.local_view_without_token or not tokens.any_exist(connection)):
                return _anonymous(role)
        if holder is not None and not bearer:
            _check_csrf(request, cookie)
        if holder is None:
            if bearer:
                self._record_failure(token.strip(), client)
            raise Problem(
                401,
                "a valid token is needed",
                f"send it as Authorization: Bearer …; to make one: {_ADD_TOKEN}",
            )
        if not holder.may(role):
            raise Problem(
                403,
                f"this needs the role {role}, the token has {holder.role}",
                "use a token with that role",
            )
        return holder

    def authenticate_metrics(self, request: Request) -> None:
        """Let this machine read the metrics, of all sites, without a token. Raises Problem as `authenticate` does."""
        if not self._is_local(request, find_client(request, self._proxies)):
            holder = self.authenticate(request, "view")
            if holder.sites is not None:
                raise Problem(403, "the metrics are of all sites", "use a token that is not limited to some")

    def sign_in(self, request: Request, token: str) -> str | None:
        """Return the cookie of a new session, None for an invalid token. Raises Problem 429."""
        with self._database.read() as connection:
            holder = tokens.holder_of(connection, token.strip())
        if holder is None:
            self._record_failure(token.strip(), find_client(request, self._proxies))
            return None
        with self._database.write() as connection:
            return tokens.begin_session(connection, holder, self._wall())

    def sign_out(self, request: Request) -> None:
        """End the session of a request."""
        with self._database.write() as connection:
            tokens.end_session(connection, request.cookies.get(SESSION_COOKIE, ""))

    def _is_local(self, request: Request, client: Client) -> bool:
        """Return whether a request was certainly made at this machine, and under one of its own names.

        An address alone does not show that: a proxy on this machine has it too.
        """
        own_name = is_loopback(request.url.hostname or "")
        return self._settings.trusts_local and client.local and own_name

    def _record_failure(self, token: str, client: Client) -> None:
        wait_s = self._limiter.record_failure(tokens.digest(token)[:_DIGEST_LENGTH], client.name)
        if wait_s > 0:
            raise Problem(
                429,
                "too many failed sign-ins with this token or from this address",
                "wait a minute; a valid token is accepted at any time",
                retry_s=int(wait_s) + 1,
            )


class FailureLimiter:
    """Limits failed sign-ins to `limit` a minute, by credential and by client. Thread-safe. `monotonic` gives s."""

    def __init__(self, limit: int, monotonic: Callable[[], float]) -> None:
        self._limit = limit
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._by_credential: OrderedDict[str, tuple[float, int]] = OrderedDict()
        self._by_client: OrderedDict[str, tuple[float, int]] = OrderedDict()

    def record_failure(self, credential: str, client: str) -> float:
        """Count one failure and return 0; over the limit return the seconds to wait.

        A failure over the limit is not counted, so that waiting helps.
        """
        counters = ((self._by_credential, credential), (self._by_client, client))
        with self._lock:
            now = self._monotonic()
            wait_s = max(self._wait_s(counts, name, now) for counts, name in counters)
            if wait_s <= 0:
                for counts, name in counters:
                    self._count(counts, name, now)
            return max(wait_s, 0.0)

    def _wait_s(self, counts: OrderedDict[str, tuple[float, int]], name: str, now: float) -> float:
        since, failures = counts.get(name, (now, 0))
        return since + WINDOW_S - now if failures >= self._limit else 0.0

    def _count(self, counts: OrderedDict[str, tuple[float, int]], name: str, now: float) -> None:
        since, failures = counts.pop(name, (now, 0))
        counts[name] = (since, failures + 1) if now < since + WINDOW_S else (now, 1)
        if len(counts) > REMEMBERED:
            counts.popitem(last=False)


def csrf_token(cookie: str) -> str:
    """Return the token that a change under a session must carry beside its cookie."""
    # The label is part of saved state: pages kept for use offline carry the token across an upgrade.
    return hashlib.sha256(f"seal {cookie}".encode()).hexdigest()


def _anonymous(role: Role) -> Holder:
    """Allow viewing and nothing else."""
    if role != "view":
        raise Problem(403, "viewing is all that is allowed without a token", f"to make one: {_ADD_TOKEN}")
    return ANONYMOUS


def _check_csrf(request: Request, cookie: str) -> None:
    """Raise Problem 403 for a change that another site may have caused."""
    if request.method in ("GET", "HEAD"):
        return
    given = next((value for name in CSRF_HEADERS if (value := request.headers.get(name))), "")
    same_origin = request.headers.get("sec-fetch-site", "same-origin") == "same-origin"
    if not (same_origin and hmac.compare_digest(given.encode(), csrf_token(cookie).encode())):
        raise Problem(403, "the request did not come from the page that was signed in", "reload the page")
