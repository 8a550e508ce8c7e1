"""Random requests from anybody cause no 500, errors have one form, and nothing changes without the role."""

import json
import os
import re
import string
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from strikewatch.storage.actions.tokens import ROLES
from strikewatch.storage.schema.alarm_tables import handling, history, shelves, workshop
from strikewatch.storage.schema.tables import endpoints, events, outbox
from tests.postgresql import Postgresql
from tests.profiles import examples
from tests.web.site import ENDPOINT, HAMMER, SITE, Site, site

EXAMPLES = int(os.environ.get("STRIKEWATCH_REQUESTS", "40"))

words = st.one_of(
    st.text(max_size=40),
    st.sampled_from(
        [SITE, HAMMER, "a", "0", "-1", "2026-02-26T00:00:00Z", "9999-12-31T23:59:60Z", "\0", "any"]
    ),
    st.integers().map(str),
)
leaves = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), words)
values = st.recursive(
    leaves, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=3)
)
names = st.sampled_from(["comment", "until", "reason", "numbers", "endpoint", "by"])
bodies = st.one_of(
    st.none(),
    st.binary(max_size=60),
    st.dictionaries(names, values, max_size=4).map(lambda body: json.dumps(body).encode()),
    st.fixed_dictionaries({"reason": words, "until": words}).map(lambda body: json.dumps(body).encode()),
)
queries = st.dictionaries(
    st.sampled_from(["site", "hammer", "state", "since", "limit", "begin", "end", "alert", "priority", "x"]),
    words,
    max_size=3,
)


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def server(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """Over each kind of database."""
    where = None
    if request.param == "postgresql":
        server: Postgresql = request.getfixturevalue("postgresql")
        where = server.database()
    with site(tmp_path_factory.mktemp("board"), where, failures=1_000_000) as server:
        for role in ROLES:
            tokens[role] = server.token(role, role)
        yield server


tokens: dict[str, str] = {}


@pytest.mark.parametrize("who", ["nobody", "somebody", *ROLES])
def test_no_request_causes_a_500_or_a_change_without_the_role(server: Site, who: str) -> None:
    token = tokens.get(who, "sw_" + "x" * 43 if who == "somebody" else None)
    described: Any = server.request("GET", "/openapi.json", token=tokens["view"]).json
    operations = [(path, method) for path, methods in described["paths"].items() for method in methods]
    assert len(operations) >= 18

    few = EXAMPLES // 4 if server.store.name.startswith("postgresql") else EXAMPLES

    @settings(max_examples=examples(few), suppress_health_check=list(HealthCheck))
    @given(
        st.sampled_from(operations),
        st.one_of(st.sampled_from([server.alert, HAMMER, ENDPOINT, "1"]), words),
        queries,
        bodies,
    )
    def tried(operation: tuple[str, str], name: str, query: dict[str, str], body: bytes | None) -> None:
        path, method = operation
        before = rows(server)
        filled = re.sub(r"\{\w+\}", lambda _: quote(name, safe=""), path)
        query_string = "&".join(f"{key}={quote(value, safe='')}" for key, value in query.items())
        response = server.request(method.upper(), f"{filled}?{query_string}", body, token)
        assert response.status < 500, (path, response.text)
        if response.status != 200:
            assert set(response.json) - {"fields"} == {"error", "remedy"}
        if token is None or who == "somebody":
            assert response.status in (401, 404, 405)
            assert server.alert not in response.text
        if who not in ("act", "review"):
            assert rows(server) == before
        assert not any(token in response.text for token in tokens.values())

    tried()


def rows(server: Site) -> list[Any]:
    with server.store.read() as connection:
        tables = (handling, history, shelves, workshop, events, outbox, endpoints)
        return [sorted(map(repr, connection.execute(table.select()))) for table in tables]


def test_the_openapi_description_is_complete(tmp_path: Path) -> None:
    """Every parameter in a path is described, and every operation has a name of its own."""
    with site(tmp_path) as server:
        paths = server.request("GET", "/openapi.json").json["paths"]
        operations = [(path, operation) for path, methods in paths.items() for operation in methods.values()]
        assert len({operation["operationId"] for _, operation in operations}) == len(operations)
        for path, operation in operations:
            in_path = {
                parameter["name"]
                for parameter in operation.get("parameters", ())
                if parameter["in"] == "path"
            }
            assert in_path == {name for _, name, _, _ in string.Formatter().parse(path) if name}
