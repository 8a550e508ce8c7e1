"""Who asks, and whether they may: bearer tokens, roles, and patience with those who fail.

Without any token ever made the interface shows what there is to those on this machine, and does nothing for anybody:
an action needs a name on record. From the first token on, revoked or not, everything needs one.
"""

import time
from collections import OrderedDict
from collections.abc import Callable
from typing import Final

from starlette.requests import Request

from strikewatch.board.answer import Problem
from strikewatch.board.settings import Settings, is_loopback
from strikewatch.store import tokens
from strikewatch.store.beside import Place
from strikewatch.store.tokens import Holder, Role

WINDOW_S: Final = 60.0
ADDRESSES: Final = 10_000
"""Addresses remembered at most; the oldest go first."""
NOBODY: Final = Holder("", "view", 0, None)
"""Who looks from this machine while there are no tokens."""
_ADD: Final = "strikewatch token add NAME --role act"


class Gate:
    """Lets requests in. `clock` is monotonic seconds."""

    def __init__(self, settings: Settings, place: Place, clock: Callable[[], float] = time.monotonic) -> None:
        self._settings = settings
        self._place = place
        self._clock = clock
        self._failed: OrderedDict[str, tuple[float, int]] = OrderedDict()

    def admit(self, request: Request, role: Role) -> Holder:
        """Who asks. Raises Problem: 401 not known, 403 may not, 429 failed too often."""
        address = request.client.host if request.client else ""
        self._patience(address)
        scheme, _, token = request.headers.get("authorization", "").partition(" ")
        with self._place.read() as connection:
            if not scheme and self._settings.loopback and not tokens.any_made(connection):
                return self._unnamed(request, role)
            holder = tokens.whose(connection, token.strip()) if scheme.lower() == "bearer" else None
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
