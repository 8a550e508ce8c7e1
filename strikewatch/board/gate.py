"""Who asks, and whether they may: bearer tokens, sessions of the page, roles, and patience with those who fail.

Without any token ever made the interface shows what there is to those on this machine, and does nothing for anybody:
an action needs a name on record. From the first token on, revoked or not, everything needs one, unless the settings
let this machine `look_freely`.

A browser sends the cookie of a session by itself, whoever has made it ask. So whatever changes something must come from
our own page (`Sec-Fetch-Site`), and bear the session's seal, which only our own pages can read.
"""

import hashlib
import hmac
import time
from collections import OrderedDict
from collections.abc import Callable
from typing import Final

from starlette.requests import Request

from strikewatch.board.answer import Problem
from strikewatch.board.settings import Settings, is_loopback
from strikewatch.model.instant import Instant
from strikewatch.store import sessions, tokens
from strikewatch.store.beside import Place
from strikewatch.store.tokens import Holder, Role

WINDOW_S: Final = 60.0
ADDRESSES: Final = 10_000
"""Addresses remembered at most; the oldest go first."""
NOBODY: Final = Holder("", "view", 0, None)
"""Who looks from this machine while there are no tokens."""
COOKIE: Final = "strikewatch_session"
SEAL: Final = "strikewatch-seal"
"""The header that a change under a cookie needs."""
_ADD: Final = "strikewatch token add NAME --role act"


class Gate:
    """Lets requests in. `wall` tells ns, `clock` is monotonic seconds."""

    def __init__(
        self,
        settings: Settings,
        place: Place,
        wall: Callable[[], Instant],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settings = settings
        self._place = place
        self._wall = wall
        self._clock = clock
        self._failed: OrderedDict[str, tuple[float, int]] = OrderedDict()

    def admit(self, request: Request, role: Role) -> Holder:
        """Who asks. Raises Problem: 401 not known, 403 may not, 429 failed too often."""
        address = _address(request)
        self._patience(address)
        scheme, _, token = request.headers.get("authorization", "").partition(" ")
        cookie = request.cookies.get(COOKIE, "")
        holder = None
        with self._place.read() as connection:
            if scheme:
                holder = tokens.whose(connection, token.strip()) if scheme.lower() == "bearer" else None
            elif cookie:
                holder = sessions.whose(connection, cookie, self._wall())
            free = holder is None and not scheme and self._settings.loopback
            if free and (self._settings.look_freely or not tokens.any_made(connection)):
                return self._unnamed(request, role)
        if holder is not None and not scheme:
            _from_our_page(request, cookie)
        if holder is None:
            if scheme:
                self._fail(address)
            raise Problem(
                401, "a valid token is needed", f"send it as Authorization: Bearer …; to make one: {_ADD}"
            )
        if not holder.may(role):
            raise Problem(
                403, f"this needs the role {role}, the token has {holder.role}", "use a token that may"
            )
        return holder

    def sign_in(self, request: Request, token: str) -> str | None:
        """The cookie of a new session; None where the token is not good. Raises Problem 429."""
        address = _address(request)
        self._patience(address)
        with self._place.read() as connection:
            holder = tokens.whose(connection, token.strip())
        if holder is None:
            self._fail(address)
            return None
        with self._place.write() as connection:
            return sessions.begin(connection, holder, self._wall())

    def sign_out(self, request: Request) -> None:
        """End the session that the request comes under."""
        with self._place.write() as connection:
            sessions.end(connection, request.cookies.get(COOKIE, ""))

    def _unnamed(self, request: Request, role: Role) -> Holder:
        """A page elsewhere can have a browser here ask under a name of its own: only this machine's names count."""
        if not is_loopback(request.url.hostname or ""):
            raise Problem(403, "without tokens only this machine may look", f"make one: {_ADD}")
        if role != "view":
            raise Problem(403, "without a token nothing can be done, only looked at", f"make one: {_ADD}")
        return NOBODY

    def _patience(self, address: str) -> None:
        since, failures = self._failed.get(address, (0.0, 0))
        left_s = since + WINDOW_S - self._clock()
        if failures >= self._settings.failures and left_s > 0:
            raise Problem(
                429, "too many failed sign-ins from this address", "wait a minute", retry_s=int(left_s) + 1
            )

    def _fail(self, address: str) -> None:
        now = self._clock()
        since, failures = self._failed.pop(address, (now, 0))
        self._failed[address] = (since, failures + 1) if now < since + WINDOW_S else (now, 1)
        if len(self._failed) > ADDRESSES:
            self._failed.popitem(last=False)


def seal(cookie: str) -> str:
    """What a change under a session must bear beside its cookie."""
    return hashlib.sha256(f"seal {cookie}".encode()).hexdigest()


def _from_our_page(request: Request, cookie: str) -> None:
    """Raises Problem 403 for a change that another site may have had the browser ask for."""
    if request.method in ("GET", "HEAD"):
        return
    given = request.headers.get(SEAL, "")
    same = request.headers.get("sec-fetch-site", "same-origin") == "same-origin"
    if not (same and hmac.compare_digest(given.encode(), seal(cookie).encode())):
        raise Problem(403, "this did not come from the page that was signed in", "open the page anew")


def _address(request: Request) -> str:
    return request.client.host if request.client else ""
