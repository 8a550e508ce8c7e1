"""Sign in and out: a token is exchanged for a session."""

from dataclasses import dataclass
from urllib.parse import parse_qs

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from strikewatch.core.instant import SECOND
from strikewatch.storage.actions.tokens import SESSION_NS
from strikewatch.web.api.problems import Problem
from strikewatch.web.authentication import SESSION_COOKIE, Authenticator, csrf_token
from strikewatch.web.pages.page import SAFE_HEADERS, SIGN_IN_PATH, Templates


@dataclass(frozen=True, slots=True)
class Login:
    """Exchanges a token for a session, kept in a cookie that no script can read."""

    _templates: Templates
    _authenticator: Authenticator
    _tls_only: bool

    def form(self, request: Request, status: int = 200, error_key: str = "", to: str = "/") -> Response:
        """Show the form; `error_key` is the key of a text, `to` the page that follows."""
        to = _local_path(request.query_params.get("to", to))
        formatting = self._templates.formatting(request)
        return self._templates.render(formatting, "sign_in.html", status, error_key=error_key, to=to)

    def sign_in(self, request: Request, body: bytes) -> Response:
        """Sign in with the token of the form and redirect to the page that was asked for."""
        form = _parse_form(body)
        to = _local_path(form.get("to", "/"))
        if request.headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return self.form(request, 403, "sign_in.elsewhere", to)
        try:
            cookie = self._authenticator.sign_in(request, form.get("token", ""))
        except Problem as problem:
            return self.form(request, problem.status, "sign_in.patience", to)
        if cookie is None:
            return self.form(request, 401, "sign_in.wrong", to)
        response = RedirectResponse(to, 303, SAFE_HEADERS)
        response.set_cookie(
            SESSION_COOKIE,
            cookie,
            max_age=SESSION_NS // SECOND,
            httponly=True,
            samesite="strict",
            secure=self._tls_only,
        )
        return response

    def sign_out(self, request: Request, body: bytes) -> Response:
        """Sign out if the form carries the CSRF token."""
        form = _parse_form(body)
        response = RedirectResponse(SIGN_IN_PATH, 303, SAFE_HEADERS)
        csrf = form.get("csrf_token", form.get("seal", ""))  # the earlier name, on pages that are still open
        if csrf == csrf_token(request.cookies.get(SESSION_COOKIE, "")):
            self._authenticator.sign_out(request)
            response.delete_cookie(SESSION_COOKIE, httponly=True, samesite="strict", secure=self._tls_only)
        return response


def _parse_form(body: bytes) -> dict[str, str]:
    return {name: values[-1] for name, values in parse_qs(body.decode(errors="replace")).items()}


def _local_path(path: str) -> str:
    """Return a path on this server, "/" for anything else."""
    local = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable()
    return path if local else "/"
