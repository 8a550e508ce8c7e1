"""Nothing is shown or changed without the role for it; every action is recorded under the token's name."""

import sqlite3
from pathlib import Path
from typing import Any

import pytest

from strikewatch.errors import SettingsError
from strikewatch.web.api.routing import api_router
from strikewatch.web.settings import Settings
from tests.web.site import HAMMER, Site, site

BASE = "/api/v1"
LATER = "2026-02-26T00:00:00Z"


def actions(server: Site) -> list[tuple[str, dict[str, object]]]:
    return [
        (f"/alerts/{server.alert}/acknowledge", {"comment": "seen"}),
        (f"/alerts/{server.alert}/shelve", {"until": LATER, "reason": "rain"}),
        (f"/alerts/{server.alert}/unshelve", {}),
        (f"/hammers/{HAMMER}/out-of-service", {"reason": "seal"}),
        (f"/hammers/{HAMMER}/in-service", {}),
        ("/deliveries/send", {"numbers": [1]}),
    ]


def test_without_any_token_this_machine_views_and_changes_nothing(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        assert server.request("GET", f"{BASE}/alerts").json["alerts"][0]["id"] == server.alert
        for path, body in actions(server):
            assert server.request("POST", BASE + path, body).status == 403
        assert server.request("GET", f"{BASE}/alerts/{server.alert}").json["state"] == "unacknowledged"


def test_a_request_under_a_foreign_host_name_is_refused(tmp_path: Path) -> None:
    """A page elsewhere whose name has come to mean 127.0.0.1 in somebody's browser."""
    with site(tmp_path) as server:
        response = server.request("GET", f"{BASE}/alerts", headers={"Host": "elsewhere.example"})
        assert response.status == 421
        assert server.alert not in response.text
        assert "http.hosts" in response.json["remedy"]


FOREIGN = ("elsewhere.example", "192.0.2.7", "localhost.example", "127.0.0.1.example:80", "[::2]", "[")
READ = (f"{BASE}/alerts", "/metrics", "/", "/stream", "/healthz")


@pytest.mark.parametrize("with_token", [False, True])
def test_nothing_answers_under_a_foreign_host_name(tmp_path: Path, with_token: bool) -> None:
    with site(tmp_path) as server:
        token = server.token("Ada", "view") if with_token else None
        for host in FOREIGN:
            for path in READ:
                assert server.request("GET", path, token=token, headers={"Host": host}).status in (
                    400,
                    421,
                ), (
                    host,
                    path,
                )
        for host in ("localhost", "LOCALHOST:80", f"127.0.0.1:{server.port}", "[::1]:80"):
            assert (
                server.request("GET", f"{BASE}/alerts", token=token, headers={"Host": host}).status == 200
            ), host


def test_a_listed_host_name_answers_and_still_needs_a_token(tmp_path: Path) -> None:
    """A page of that name could be anywhere, so it does not count as this machine."""
    with site(tmp_path, hosts=("Page.example",)) as server:
        named = {"Host": "page.example:8443"}
        for path in (f"{BASE}/alerts", "/metrics"):
            assert server.request("GET", path, headers=named).status == 401
        assert (
            server.request("GET", f"{BASE}/alerts", token=server.token("Ada", "view"), headers=named).status
            == 200
        )
        assert server.request("GET", "/healthz", headers={"Host": "other.example"}).status == 421
        forwarded = {"Host": "other.example", "X-Forwarded-For": "192.0.2.1"}
        assert server.request("GET", "/healthz", headers=forwarded).status == 421


@pytest.mark.parametrize("given", ["http://page.example", "page.example:80", "page/x", ""])
def test_a_listed_host_name_is_a_name_only(given: str) -> None:
    with pytest.raises(ValueError, match="without scheme, port and path"):
        Settings(hosts=(given,))


@pytest.mark.parametrize(
    "proxy",
    [{"tls_in_front": True}, {"trusted_proxies": ("127.0.0.1/32",)}, {"trusted_proxies": ("10.1.0.0/16",)}],
)
@pytest.mark.parametrize("tokens_exist", [False, True])
def test_with_a_proxy_in_the_settings_nobody_is_at_this_machine(
    tmp_path: Path, proxy: dict[str, Any], tokens_exist: bool
) -> None:
    """Even without any forwarding header, which not every proxy sends, and even with local_view_without_token."""
    with site(tmp_path, local_view_without_token=True, **proxy) as server:
        if tokens_exist:
            server.token("Ada", "view")
        for path in (f"{BASE}/alerts", "/metrics", "/openapi.json", "/stream"):
            assert server.request("GET", path).status == 401, path
        assert server.request("GET", "/").status == 303
        # the name of the page is not known, and tokens decide
        assert server.request("GET", f"{BASE}/alerts", headers={"Host": "page.example"}).status == 401


def test_every_request_needs_a_token_once_one_was_made_even_a_revoked_one(tmp_path: Path) -> None:
    from strikewatch.storage.actions import tokens

    with site(tmp_path) as server:
        token = server.token("Ada", "view")
        assert server.request("GET", f"{BASE}/alerts").status == 401
        assert server.request("GET", f"{BASE}/alerts", token=token).status == 200
        with server.store.write() as connection:
            assert tokens.revoke(connection, "Ada", 5)
            assert not tokens.revoke(connection, "Ada", 6)
        assert server.request("GET", f"{BASE}/alerts", token=token).status == 401
        assert server.request("GET", f"{BASE}/alerts").status == 401


def test_each_role_allows_its_own_operations_only(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        view, act, review = server.token("a", "view"), server.token("b", "act"), server.token("c", "review")
        for path, body in actions(server):
            assert server.request("POST", BASE + path, body, view).status == 403
        assert (
            server.request("GET", f"{BASE}/alerts/{server.alert}", token=view).json["state"]
            == "unacknowledged"
        )
        assert server.request("POST", f"{BASE}/deliveries/send", {"endpoint": "x"}, act).status == 403
        assert server.request("POST", f"{BASE}/deliveries/send", {"endpoint": "x"}, review).json == {
            "again": 0
        }
        for path, body in actions(server)[:-1]:
            assert server.request("POST", BASE + path, body, act).status == 200


def test_actions_are_recorded_under_the_tokens_name_and_are_idempotent(
    tmp_path: Path,
) -> None:
    with site(tmp_path) as server:
        token = server.token("Ada", "act")
        for path, body in actions(server)[:-1]:
            first = server.request("POST", BASE + path, body, token)
            assert first.json["changed"] == 1, path
            lines = server.request("GET", f"{BASE}/alerts/{server.alert}/history", token=token).json[
                "history"
            ]
            assert server.request("POST", BASE + path, body, token).json["changed"] == 0
            assert (
                server.request("GET", f"{BASE}/alerts/{server.alert}/history", token=token).json["history"]
                == lines
            )
            assert lines[-1]["by"] == "Ada"


def test_the_sender_cannot_choose_the_recorded_name(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        token = server.token("Ada", "act")
        body = {"comment": "seen", "by": "somebody else"}
        assert server.request("POST", f"{BASE}/alerts/{server.alert}/acknowledge", body, token).status == 422


def test_failed_sign_ins_are_limited_and_valid_tokens_and_sessions_always_pass(tmp_path: Path) -> None:
    with site(tmp_path, failures=3) as server:
        token, cookie = server.token("Ada", "view"), server.cookie(server.token("site office", "view"))
        for _ in range(3):
            assert server.request("GET", f"{BASE}/alerts", token="sw_wrong").status == 401
        response = server.request("GET", f"{BASE}/alerts", token="sw_wrong")
        assert response.status == 429
        assert 0 < int(response.headers["retry-after"]) <= 61
        assert (
            server.request("GET", f"{BASE}/alerts", token="sw_another").status == 429
        )  # from the same address
        assert server.request("GET", f"{BASE}/alerts", token=token).status == 200
        assert server.request("GET", "/", headers=cookie).status == 200
        assert server.request("GET", "/", headers={**cookie, "Authorization": "Basic eA=="}).status == 200
        assert server.cookie(token)


def test_behind_a_trusted_proxy_one_client_who_fails_does_not_limit_the_others(tmp_path: Path) -> None:
    with site(tmp_path, failures=3, trusted_proxies=("127.0.0.1/32",)) as server:
        server.token("Ada", "view")

        def fail(client: str, token: str) -> int:
            return server.request(
                "GET", f"{BASE}/alerts", token=token, headers={"X-Forwarded-For": f"203.0.113.9, {client}"}
            ).status

        assert [fail("192.0.2.1", f"sw_{k}") for k in range(4)] == [401, 401, 401, 429]
        assert fail("192.0.2.2", "sw_5") == 401
        # One token that is no longer valid is limited wherever it comes from.
        assert [fail(f"198.51.100.{k}", "sw_old") for k in range(4)] == [401, 401, 401, 429]


def test_forwarding_headers_are_ignored_without_a_trusted_proxy(tmp_path: Path) -> None:
    with site(tmp_path, failures=3) as server:
        server.token("Ada", "view")
        for k, status in enumerate((401, 401, 401, 429)):
            headers = {"X-Forwarded-For": f"192.0.2.{k}", "Forwarded": f"for=192.0.2.{k}"}
            assert server.request("GET", f"{BASE}/alerts", token=f"sw_{k}", headers=headers).status == status


@pytest.mark.parametrize(
    "headers",
    [
        {"X-Forwarded-For": "127.0.0.1"},
        {"Forwarded": "for=127.0.0.1"},
        {"X-Forwarded-Proto": "https"},
        {"X-Forwarded-Port": "443"},
        {"X-Forwarded-Server": "front.example"},
        {"X-Forwarded-Anything": ""},
        {"X-Forwarded-For": "192.0.2.1", "Host": "page.example"},
        {"X-Real-IP": "127.0.0.1"},
        {"Via": "1.1 proxy"},
    ],
)
@pytest.mark.parametrize("proxies", [(), ("127.0.0.0/8",)])
def test_a_request_through_a_proxy_is_not_from_this_machine(
    tmp_path: Path, headers: dict[str, str], proxies: tuple[str, ...]
) -> None:
    with site(tmp_path, local_view_without_token=True, trusted_proxies=proxies) as server:
        for path in (f"{BASE}/alerts", "/metrics"):
            assert server.request("GET", path, headers=headers).status == 401, path
        assert server.request("GET", "/", headers=headers).status == 303
        if not proxies:
            for path in (f"{BASE}/alerts", "/metrics", "/"):
                assert server.request("GET", path).status == 200, path


def test_no_token_is_in_the_database(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        token = server.token("Ada", "act")
        server.request("GET", f"{BASE}/alerts", token=token)
    with sqlite3.connect(tmp_path / "watch.db") as database:
        assert not any(token[3:] in line for line in database.iterdump())
    database.close()


def test_listening_on_other_addresses_needs_a_token(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="token add"), site(tmp_path, host="0.0.0.0"):
        pass


@pytest.mark.parametrize(
    ("body", "headers", "status"),
    [
        (b'{"comment": "' + b"x" * 70_000 + b'"}', {}, 413),
        (b"{", {}, 422),
        (b'{"comment": "\\ud800"}', {}, 422),
        ({"comment": "\0"}, {}, 422),
        ({"comment": "x" * 1001}, {}, 422),
        ({"comment": 5}, {}, 422),
        (b"comment=x", {"Content-Type": "application/x-www-form-urlencoded"}, 415),
    ],
)
def test_an_invalid_body_is_answered_with_error_and_remedy(
    tmp_path: Path, body: object, headers: dict[str, str], status: int
) -> None:
    with site(tmp_path) as server:
        response = server.request(
            "POST", f"{BASE}/alerts/{server.alert}/acknowledge", body, server.token("Ada", "act"), headers
        )
        assert response.status == status
        assert set(response.json) - {"fields"} == {"error", "remedy"}


def test_the_sender_is_authenticated_before_the_request_is_read(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        view = server.token("Ada", "view")
        path = f"{BASE}/alerts/{server.alert}/acknowledge?unknown=1"
        for body in (b"{", b"x" * 70_000, {"by": "somebody else"}):
            assert server.request("POST", path, body, token="sw_wrong").status == 401
            assert server.request("POST", path, body, view).status == 403


def test_parameters_that_are_unknown_or_repeated_are_refused(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        for query, fields in (
            ("x=1", ["x"]),
            ("limit=5&limit=6", []),
            ("limit=0", ["limit"]),
            ("site=", ["site"]),
        ):
            response = server.request("GET", f"{BASE}/alerts?{query}")
            assert (response.status, list(response.json.get("fields", {}))) == (422, fields), query
        assert server.request("GET", f"{BASE}/active?limit=1").status == 422


def test_head_is_answered_like_get_without_a_body(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        response = server.request("HEAD", f"{BASE}/alerts")
        assert (response.status, response.text) == (200, "")
        assert (
            response.headers["content-length"]
            == server.request("GET", f"{BASE}/alerts").headers["content-length"]
        )
        refused = server.request("DELETE", f"{BASE}/alerts")
        assert (refused.status, refused.headers["allow"]) == (405, "HEAD, GET")


def test_an_operation_that_changes_something_needs_a_role() -> None:
    router = api_router()
    with pytest.raises(TypeError, match="mark it by @requires"):
        router.post("/unmarked")(lambda: None)


def test_no_documentation_page_loads_scripts_from_elsewhere(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        for path in ("/docs", "/redoc", "/docs/oauth2-redirect"):
            assert server.request("GET", path).status == 404
