"""The search in the alerts finds what was asked for: by each field, in the site's own days, in the fewest taps."""

import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from playwright.sync_api import expect

from strikewatch.core.alert import Alert
from strikewatch.core.instant import SECOND
from strikewatch.sinks.sites import Sites
from strikewatch.storage.queries.alerts import Facet
from strikewatch.web.pages.formatting import day_begins
from strikewatch.web.pages.views.alerts import AlertSearch, choices, filter_of, span_of
from tests.browser import browser, violations
from tests.profiles import examples
from tests.web.site import HAMMER, NOW, SITE, Site, site

HOUR = 3600 * SECOND
MINUTE = 60 * SECOND
DAY = 24 * HOUR


def found(page: str) -> list[str]:
    """The hammers of the alerts listed, in their order."""
    return re.findall(r'<td class="hammer-name">(.*?)</td>', page)


def count(page: str) -> str:
    (text,) = re.findall(r'<h2 id="found">(.*?)</h2>', page)
    return str(text)


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Site]:
    with site(tmp_path) as server:
        server.alerts(
            Alert("blank_firing", SITE, "HB-02", "op-14", "medium", NOW - 10 * MINUTE, NOW - 9 * MINUTE),
            Alert("blank_firing", SITE, "HB-02", "op-15", "medium", NOW - 20 * MINUTE, NOW - 19 * MINUTE),
            Alert("blank_firing", SITE, "HB-03", "op-14", "high", NOW - 2 * HOUR, NOW - 119 * MINUTE),
            Alert("signal_lost", SITE, "HB-04", None, "low", NOW - 30 * MINUTE, NOW - 29 * MINUTE),
            Alert("hot_oil", SITE, "HB-05", "op-14", "medium", NOW - 9 * DAY, NOW - 9 * DAY + HOUR),
        )
        yield server


@pytest.mark.parametrize(
    ("asked", "hammers"),
    [
        ({}, [HAMMER, "HB-02", "HB-02", "HB-04", "HB-03"]),
        ({"last": "1h"}, [HAMMER, "HB-02", "HB-02", "HB-04"]),
        ({"last": "any"}, [HAMMER, "HB-02", "HB-02", "HB-04", "HB-03", "HB-05"]),
        ({"last": "1h", "operator": "op-14", "fault": "blank_firing"}, ["HB-02"]),
        ({"hammer": "hb-02"}, ["HB-02", "HB-02"]),
        ({"operator": "OP-14"}, [HAMMER, "HB-02", "HB-03", "HB-05"]),
        ({"operator": "op-1"}, []),
        ({"operator": "-"}, ["HB-04"]),
        ({"priority": "high"}, ["HB-03"]),
        ({"priority": "none"}, []),
        ({"state": "active"}, [HAMMER]),
        ({"state": "waiting", "hammer": "HB-02"}, ["HB-02", "HB-02"]),
        ({"state": "shelved"}, []),
        ({"site": "elsewhere"}, []),
    ],
)
def test_each_condition_finds_its_alerts_and_the_count_is_theirs(
    server: Site, asked: dict[str, str], hammers: list[str]
) -> None:
    page = server.request("GET", f"/alerts?{urlencode(asked)}").text
    assert found(page) == hammers
    assert count(page) == ("1 alert" if len(hammers) == 1 else f"{len(hammers)} alerts")


def test_both_days_of_a_search_count_and_are_the_sites_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """NOW is 25 February, 06:13 UTC: in Auckland it is 19:13 of the same day."""
    monkeypatch.setenv("STRIKEWATCH_SITES__ZONE", "Pacific/Auckland")
    with site(tmp_path) as server:
        midnight = day_begins(date(2026, 2, 25), ZoneInfo("Pacific/Auckland"))
        for number, at in enumerate((midnight - SECOND, midnight, midnight + DAY - SECOND, midnight + DAY)):
            server.alerts(Alert("hot_oil", SITE, f"HB-1{number}", "op-14", "low", at, at + SECOND))
        day = {"since": "2026-02-25", "until": "2026-02-25", "fault": "hot_oil"}
        assert found(server.request("GET", f"/alerts?{urlencode(day)}").text) == ["HB-12", "HB-11"]
        # The earlier parameter: up to, and without, that day.
        earlier = {"before": "2026-02-25", "fault": "hot_oil"}
        assert found(server.request("GET", f"/alerts?{urlencode(earlier)}").text) == ["HB-10"]
        wrong = server.request("GET", "/alerts?since=2026-02-26&until=2026-02-25")
        assert wrong.status == 422
        assert "This is before the first day" in wrong.text


def test_every_alert_is_on_exactly_one_of_the_pages_of_a_long_list(tmp_path: Path) -> None:
    """Also where many begin at the same instant, such as all hammers of a site whose gateway lost its power."""
    with site(tmp_path) as server:
        server.alerts(
            *(
                Alert("same_spot", SITE, f"HB-{k}", "op-14", "low", at := NOW - k // 90 * SECOND + 1, at + 5)
                for k in range(1, 250)
            )
        )
        path, seen = "/alerts?operator=op-14", []
        while path:
            page = server.request("GET", path).text
            assert count(page) == "250 alerts"  # of all pages, whichever is shown
            seen += found(page)
            path = next(iter(re.findall(r'class="next" href="(.*?)"', page)), "").replace("&amp;", "&")
        assert sorted(seen) == sorted([HAMMER, *(f"HB-{k}" for k in range(1, 250))])


NAMES = st.sampled_from(["HB-01", "hb-01", "HB-02"])
FACETS = st.lists(
    st.builds(
        Facet,
        st.sampled_from(["pit", "bench"]),
        NAMES,
        st.sampled_from([None, "op-14", "op-15"]),
        st.sampled_from(["same_spot", "hot_oil"]),
        st.sampled_from(["low", "high"]),
        st.sampled_from(["unacknowledged", "normal"]),
        st.integers(1, 9),
    ),
    max_size=12,
)


@given(
    FACETS,
    st.builds(
        AlertSearch,
        site=st.sampled_from(["", "pit"]),
        hammer=st.sampled_from(["", "HB-01"]),
        operator=st.sampled_from(["", "-", "OP-14"]),
        fault=st.sampled_from(["", "hot_oil"]),
        priority=st.sampled_from(["", "high"]),
        state=st.sampled_from(["", "active", "normal"]),
    ),
)
@settings(max_examples=examples(50), deadline=None)
def test_following_a_choice_leads_to_as_many_alerts_as_it_says(
    everything: list[Facet], search: AlertSearch
) -> None:
    offered = choices(everything, search)
    for (operator, fault), n in offered.table.items():
        narrower = search.model_copy(update={"operator": operator, "fault": fault})
        assert choices(everything, narrower).total == n
    for (at, hammer), n in offered.hammers:
        narrower = search.model_copy(update={"site": at, "hammer": hammer})
        assert choices(everything, narrower).total >= n  # ids that differ in their case alone count together


@given(
    st.integers(0, 400 * 24 * 60),
    st.sampled_from(["UTC", "Europe/Dublin", "Pacific/Auckland", "America/St_Johns"]),
)
@settings(max_examples=examples(50), deadline=None)
def test_a_shift_began_in_the_past_and_not_a_day_ago(minutes: int, zone: str) -> None:
    now = NOW + minutes * MINUTE
    sites = Sites(zone=zone, shift_ends=("06:00", "14:30", "22:00"))
    span = span_of(AlertSearch(last="shift"), sites, SITE, now)
    assert span.begin is not None
    assert 0 <= now - span.begin <= 10 * HOUR  # 8.5 h, and an hour where clocks are set back
    assert filter_of(AlertSearch(last="shift"), span).since == span.begin


def test_last_hours_blank_firing_of_one_operator_takes_three_taps_and_several_are_acknowledged_at_once(
    server: Site,
) -> None:
    token = server.token("site office", "act")
    with browser() as chromium:
        for width in (360, 1440):
            context = chromium.new_context(viewport={"width": width, "height": 760})
            page = context.new_page()
            page.goto(f"http://127.0.0.1:{server.port}/sign-in")
            page.fill("#token", token)
            page.click("main button")
            page.wait_for_selector("#rows, .nothing")
            page.get_by_role("link", name="Alerts", exact=True).click()
            page.get_by_role("link", name="1 h", exact=True).click()
            page.get_by_role("link", name="op-14, Blank firing suspected: 1").click()
            expect(page.locator(".found .hammer-name")).to_have_text(["HB-02"])
            assert page.url.endswith("/alerts?operator=op-14&fault=blank_firing&last=1h")
            assert violations(page) == []
            assert page.evaluate(
                "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
            )
            page.get_by_role("link", name="Remove filter: Blank firing suspected").click()
            expect(page.locator(".found .hammer-name")).to_have_count(2)
            assert violations(page) == []
            context.close()
        context = chromium.new_context()
        page = context.new_page()
        page.goto(f"http://127.0.0.1:{server.port}/sign-in?to=/alerts%3Fstate%3Dwaiting")
        page.fill("#token", token)
        page.click("main button")
        page.check("#pick-all")
        page.fill(".bulk-bar input", "all looked at")
        page.get_by_role("button", name="Acknowledge 6", exact=True).click()
        expect(page.locator("#found")).to_have_text("0 alerts")
        listed = server.request("GET", "/api/v1/alerts?state=returned_unacknowledged", token=token).json
        assert listed["total"] == 0
        context.close()
