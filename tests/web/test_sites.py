"""Two sites with a hammer of the same name are told apart, and a token limited to one shows nothing of the other."""

import http.client
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from strikewatch.core.alert import Alert, Change
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.storage.commit.step import Reject, StepRecord
from tests.web.site import HAMMER, NOW, SITE, Site, site

BASE = "/api/v1"
OTHER = "marl-end"
"""A second site, with a hammer HB-01 too and one that the first site does not have."""
PAGES = ("/", "/open", "/alerts", "/write", "/due", "/week", "/feed", "/active", f"/write?hammer={HAMMER}")

OTHER_ALERT = Alert("same_spot", OTHER, "HB-77", "op-18", "high", NOW, None)


@pytest.fixture
def two_sites(tmp_path: Path) -> Iterator[Site]:
    with site(tmp_path) as server:
        alerts = [OTHER_ALERT, Alert("same_spot", OTHER, HAMMER, "op-18", "high", NOW, None)]
        server.store.commit(
            StepRecord(
                received=NOW,
                events=[Event(OTHER, HAMMER, "grease", NOW, {"strokes": [12, 12]})],
                changes=[
                    Change("raised", OTHER, one.hammer, one.id, one.record(), NOW, None) for one in alerts
                ],
                states={(OTHER, HAMMER): b"state", (OTHER, "HB-77"): b"state"},
                layout="none:5",
                rejects=[
                    Reject(
                        f"strikewatch/{OTHER}/{HAMMER}/samples",
                        b"\xff",
                        "bad_json",
                        "line 1",
                        (OTHER, HAMMER),
                    )
                ],
            )
        )
        server.work(NOW)
        server.work(NOW + SECOND, key=(OTHER, HAMMER))
        yield server


def test_a_limited_token_finds_nothing_of_another_site_anywhere(two_sites: Site) -> None:
    """Every operation that reads, and every page, asked as widely as it can be."""
    token = two_sites.token("Ada", "review", [SITE])
    described = two_sites.request("GET", "/openapi.json", token=token).json["paths"]
    reads = [path for path, methods in described.items() if "get" in methods and "{" not in path]
    asked = 0
    for path in (*reads, *PAGES):
        query = f"?sender={OTHER}/{HAMMER}" if path.endswith("examples") else ""
        response = two_sites.request("GET", path + query, token=token)
        assert response.status in (200, 403, 404), (path, response.text)
        found = response.text.replace(f"{OTHER}/{HAMMER} can be seen", "")  # what was asked for, repeated
        for secret in (OTHER, "HB-77", "op-18"):
            assert secret not in found, path
        asked += 1
    assert asked > 15


def test_a_limited_token_cannot_name_or_change_another_site(two_sites: Site) -> None:
    token = two_sites.token("Ada", "review", [SITE])
    other = OTHER_ALERT.id
    for path in (
        f"{BASE}/alerts?site={OTHER}",
        f"{BASE}/hammers/{HAMMER}/events?site={OTHER}",
        f"{BASE}/figures?site={OTHER}",
        f"{BASE}/rejects?site={OTHER}",
        f"/alerts/{OTHER}/{other}",
        f"/trace/{OTHER}/{other}",
        f"/review/{OTHER}",
        f"/hammers/{OTHER}/HB-77",
        f"/write?site={OTHER}&hammer={HAMMER}",
    ):
        assert two_sites.request("GET", path, token=token).status in (403, 404), path
    group = {"site": OTHER, "hammer": HAMMER, "fault": "same_spot"}
    ended = {**group, "ended_by": "2026-03-01T00:00:00Z"}
    for path, body in (
        (f"/alerts/{other}/acknowledge", {}),
        (
            "/alerts/acknowledge",
            {"alerts": [{"site": SITE, "id": two_sites.alert}, {"site": OTHER, "id": other}]},
        ),
        (
            "/alerts/shelve",
            {"alerts": [{"site": OTHER, "id": other}], "until": "2026-02-26T00:00:00Z", "reason": "rain"},
        ),
        (f"/alerts/{other}/acknowledge?site={OTHER}", {}),
        ("/alerts/acknowledge-ended", ended),
        ("/shelves/end", group),
        ("/hammers/HB-77/out-of-service", {"reason": "seal"}),
        (f"/hammers/{HAMMER}/events?site={OTHER}", {"event": "grease", "strokes": [12, 12]}),
        ("/hammers/HB-77/events", {"event": "grease", "strokes": [12, 12]}),
        ("/endpoints/office/off", {"reason": "not mine"}),
        ("/deliveries/send", {"endpoint": "office"}),
        ("/deliveries/send", {"numbers": [2]}),
    ):
        response = two_sites.request("POST", BASE + path, body, token)
        assert response.status in (403, 404), (path, response.text)
    everyone = two_sites.token("Bo", "act")
    shown = two_sites.request("GET", f"{BASE}/alerts/{other}?site={OTHER}", token=everyone).json
    assert shown["state"] == "unacknowledged"


def test_a_limited_token_names_its_hammer_without_the_site(two_sites: Site) -> None:
    """Two sites have an HB-01; who sees only one of them means that one."""
    assert (
        two_sites.request("GET", f"{BASE}/hammers/{HAMMER}/events", token=two_sites.token("Bo", "act")).status
        == 404
    )
    token = two_sites.token("Ada", "act", [SITE])
    body = {"event": "grease", "strokes": [11, 11]}
    saved = two_sites.request("POST", f"{BASE}/hammers/{HAMMER}/events", body, token)
    assert saved.json["site"] == SITE


def test_a_hammers_page_leads_to_its_own_alerts_not_to_those_of_its_namesake(two_sites: Site) -> None:
    headers = two_sites.cookie(two_sites.token("Ada", "view"))
    page = two_sites.request("GET", f"/hammers/{OTHER}/{HAMMER}", headers=headers).text
    assert f'href="/alerts?site={OTHER}&amp;hammer={HAMMER}"' in page


@pytest.mark.parametrize("limit", ["token", "choice"])
def test_the_stream_of_a_limited_reader_has_only_their_site(two_sites: Site, limit: str) -> None:
    headers = two_sites.cookie(two_sites.token("Ada", "view", [SITE] if limit == "token" else None))
    if limit == "choice":
        headers["Cookie"] += f"; strikewatch_site={SITE}"
    with closing(http.client.HTTPConnection("127.0.0.1", two_sites.port, timeout=60)) as connection:
        connection.request("GET", "/stream", headers=headers)
        response = connection.getresponse()
        for key in ((SITE, HAMMER), (OTHER, HAMMER)):
            two_sites.work(NOW + 61 * SECOND, key=key)
        at = NOW + 122 * SECOND
        two_sites.work(
            at, Event(SITE, HAMMER, "sign_on", at - SECOND, {"operator": "op-17"}, applied=at - SECOND)
        )
        seen = ""
        while "op-17" not in seen:
            seen += response.readline().decode()
    assert SITE in seen
    assert OTHER not in seen


def test_a_chosen_site_is_shown_alone_and_one_that_was_never_heard_is_no_choice(two_sites: Site) -> None:
    headers = two_sites.cookie(two_sites.token("Ada", "view"))
    cookie = headers["Cookie"]
    both = two_sites.request("GET", "/", headers=headers).text
    assert "HB-77" in both
    headers["Cookie"] = f"{cookie}; strikewatch_site={SITE}"
    assert "HB-77" not in two_sites.request("GET", "/", headers=headers).text
    assert two_sites.request("GET", f"/alerts/{OTHER}/{OTHER_ALERT.id}", headers=headers).status == 200
    headers["Cookie"] = f"{cookie}; strikewatch_site=nowhere"
    assert "HB-77" in two_sites.request("GET", "/", headers=headers).text
