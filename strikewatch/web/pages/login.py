"""The way in and out: a token for a session, kept by the browser in a cookie that no script can read."""

from typing import Final
from urllib.parse import parse_qs

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from strikewatch.storage.actions.tokens import SESSION_NS
from strikewatch.web.api.problems import Problem
from strikewatch.web.authentication import COOKIE, Gate, seal
from strikewatch.web.pages.rendering import SAFE, Press

PATH: Final = "/sign-in"


class Door:
    """`tls`: whether the cookie is only for lines under TLS."""

    def __init__(self, press: Press, gate: Gate, tls: bool) -> None:
        self._press = press
        self._gate = gate
        self._tls = tls

    def show(self, request: Request, status: int = 200, wrong: str = "", to: str = "/") -> Response:
        """The sheet to sign in at."""
        to = _within(request.query_params.get("to", to))
        return self._press.html(self._press.view(request), "sign_in.html", status, wrong=wrong, to=to)

    def enter(self, request: Request, body: bytes) -> Response:
        """Sign in with the token of the form, and go where one wanted to."""
        form = {name: values[-1] for name, values in parse_qs(body.decode(errors="replace")).items()}
        to = _within(form.get("to", "/"))
        if request.headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return self.show(request, 403, "sign_in.elsewhere", to)
        try:
            cookie = self._gate.sign_in(request, form.get("token", ""))
        except Problem as problem:
            return self.show(request, problem.status, "sign_in.patience", to)
        if cookie is None:
            return self.show(request, 401, "sign_in.wrong", to)
        answer = RedirectResponse(to, 303, SAFE)
        lasts_s = SESSION_NS // 1_000_000_000
        answer.set_cookie(COOKIE, cookie, max_age=lasts_s, httponly=True, samesite="strict", secure=self._tls)
        return answer

    def leave(self, request: Request, body: bytes) -> Response:
        """Sign out; the form bears the seal, since it is a change."""
        given = parse_qs(body.decode(errors="replace")).get("seal", [""])[-1]
        answer = RedirectResponse(PATH, 303, SAFE)
        if given == seal(request.cookies.get(COOKIE, "")):
            self._gate.sign_out(request)
            answer.delete_cookie(COOKIE, httponly=True, samesite="strict", secure=self._tls)
        return answer


def _within(path: str) -> str:
    """A path of ours, whatever was asked for."""
    return path if path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable() else "/"
