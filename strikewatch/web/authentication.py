"""Who asks, and whether they may: bearer tokens, sessions of the page, roles, and patience with those who fail.

Without any token ever made the interface shows what there is to those on this machine, and does nothing for anybody:
an action needs a name on record. From the first token on, revoked or not, everything needs one, unless the settings
let this machine `look_freely`. A request that came through a proxy is never from this machine.

A valid token or session always passes. Only failures are limited, so that nobody can lock out others who share an
address or a proxy. Cookies that are not valid are not counted: a browser sends an old one by itself.

A browser sends the cookie of a session by itself, whoever has made it ask. So whatever changes something must come from
our own page (`Sec-Fetch-Site`), and bear the session's seal, which only our own pages can read.
"""

import hashlib
import hmac
import time
from collections.abc import Callable
from typing import Final

from starlette.requests import Request

from strikewatch.core.instant import Instant
from strikewatch.storage.actions import tokens
from strikewatch.storage.actions.tokens import Holder, Role
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.web.api.problems import Problem
from strikewatch.web.client_address import Client, client, networks
from strikewatch.web.rate_limit import Limiter
from strikewatch.web.settings import Settings, is_loopback

NOBODY: Final = Holder("", "view", 0, None)
"""Who looks from this machine while there are no tokens."""
COOKIE: Final = "strikewatch_session"
SEAL: Final = "strikewatch-seal"
"""The header that a change under a cookie needs."""
DIGITS: Final = 16
"""Of a digest, by which failures of one token are counted: 64 bits, and nothing to sign in with."""
_ADD: Final = "strikewatch token add NAME --role act"


class Gate:
    """Lets requests in. `wall` tells ns, `clock` is monotonic seconds."""

    def __init__(
        self,
        settings: Settings,
        place: DatabaseAccess,
        wall: Callable[[], Instant],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settings = settings
        self._place = place
        self._wall = wall
        self._proxies = networks(settings.trusted_proxies)
        self._limiter = Limiter(settings.failures, clock)

    def admit(self, request: Request, role: Role) -> Holder:
        """Who asks. Raises Problem: 401 not known, 403 may not, 429 failed too often."""
        who = client(request, self._proxies)
        scheme, _, token = request.headers.get("authorization", "").partition(" ")
        bearer = scheme.lower() == "bearer"  # anything else is between the browser and a proxy
        cookie = request.cookies.get(COOKIE, "")
        holder = None
        with self._place.read() as connection:
            if bearer:
                holder = tokens.holder_of(connection, token.strip())
            elif cookie:
                holder = tokens.session_holder(connection, cookie, self._wall())
            free = holder is None and not scheme and self._local(who)
            if free and (self._settings.look_freely or not tokens.any_exist(connection)):
                return self._unnamed(request, role)
        if holder is not None and not bearer:
            _from_our_page(request, cookie)
        if holder is None:
            if bearer:
                self._fail(token.strip(), who)
            raise Problem(
                401, "a valid token is needed", f"send it as Authorization: Bearer …; to make one: {_ADD}"
            )
        if not holder.may(role):
            raise Problem(
                403, f"this needs the role {role}, the token has {holder.role}", "use a token that may"
            )
        return holder

    def admit_metrics(self, request: Request) -> None:
        """Let anybody at this machine read the metrics, others with a token. Raises Problem as `admit` does."""
        if not self._local(client(request, self._proxies)):
            self.admit(request, "view")

    def sign_in(self, request: Request, token: str) -> str | None:
        """The cookie of a new session; None where the token is not valid. Raises Problem 429."""
        with self._place.read() as connection:
            holder = tokens.holder_of(connection, token.strip())
        if holder is None:
            self._fail(token.strip(), client(request, self._proxies))
            return None
        with self._place.write() as connection:
            return tokens.begin_session(connection, holder, self._wall())

    def sign_out(self, request: Request) -> None:
        """End the session that the request comes under."""
        with self._place.write() as connection:
            tokens.end_session(connection, request.cookies.get(COOKIE, ""))

    def _local(self, who: Client) -> bool:
        """Whether only somebody at this machine can have asked."""
        return self._settings.loopback and who.local

    def _unnamed(self, request: Request, role: Role) -> Holder:
        """A page elsewhere can have a browser here ask under a name of its own: only this machine's names count."""
        if not is_loopback(request.url.hostname or ""):
            raise Problem(403, "without tokens only this machine may look", f"make one: {_ADD}")
        if role != "view":
            raise Problem(403, "without a token nothing can be done, only looked at", f"make one: {_ADD}")
        return NOBODY

    def _fail(self, token: str, who: Client) -> None:
        wait_s = self._limiter.fail(tokens.digest(token)[:DIGITS], who.name)
        if wait_s > 0:
            raise Problem(
                429,
                "too many failed sign-ins with this token or from this address",
                "wait a minute; a valid token is accepted at any time",
                retry_s=int(wait_s) + 1,
            )


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
