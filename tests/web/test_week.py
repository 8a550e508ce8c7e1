"""The week says where it gets better or worse, no more surely than the data allows; alarms beside their targets."""

import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strikewatch.core.alert import Alert
from strikewatch.core.instant import SECOND
from strikewatch.web.pages.views.week import Change, Metric
from tests.browser import browser, violations
from tests.profiles import examples
from tests.web.site import HAMMER, NOW, SITE, site

HOUR = 3600 * SECOND
DAY = 24 * HOUR


@pytest.mark.parametrize(
    ("change", "direction"),
    [
        # R: poisson.test(c(11, 6 + 8 + 7), c(800, 1083 + 1050 + 878)): p = 0.076; from its documentation's example.
        (Change(11, 800, 21, 3011), "same"),
        (Change(30, 10, 10, 10), "worse"),
        (Change(10, 10, 30, 10), "better"),
        (Change(30, 30, 10, 10), "same"),
        (Change(2, 1, 0, 1), "same"),
        (Change(5, 0, 5, 10), "little"),
        (Change(5, 10, 0, 0), "little"),
        (Change(0, 10, 0, 10), "same"),
    ],
)
def test_a_change_counts_only_beyond_what_chance_explains(change: Change, direction: str) -> None:
    assert change.direction == direction


@given(st.integers(0, 60), st.floats(0.1, 100), st.integers(0, 60), st.floats(0.1, 100))
@settings(max_examples=examples(50), deadline=None)
def test_better_and_worse_are_opposites_and_agree_with_the_rates(
    faults: int, hours: float, before: int, hours_before: float
) -> None:
    change = Change(faults, hours, before, hours_before)
    back = Change(before, hours_before, faults, hours)
    assert {change.direction, back.direction} in ({"better", "worse"}, {"same"})
    if change.direction == "better":
        assert change.rate is not None
        assert change.rate_before is not None
        assert change.rate < change.rate_before


def test_a_metric_at_its_limit_is_within_it() -> None:
    metrics = [Metric("per_day", value, "", 150, 300, "") for value in (0, 150, 150.5, 300, 300.5)]
    assert [one.verdict for one in metrics] == ["good", "good", "fair", "fair", "bad"]
    assert all(0 <= one.share(one.value) <= 100 for one in metrics)


def test_a_week_is_compared_with_the_one_before_and_each_day_leads_to_its_alerts(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        for weeks, faults in ((0, 2), (1, 12)):
            for k in range(5):
                at = NOW - weeks * 7 * DAY - k * DAY
                server.fired(at - 4 * HOUR, at - 3 * HOUR)
            server.alerts(
                *(
                    Alert("hot_oil", SITE, HAMMER, "op-14", "medium", at, at + SECOND)
                    for k in range(faults)
                    for at in [NOW - weeks * 7 * DAY - k % 5 * DAY - k * SECOND - SECOND]
                )
            )
        headers = server.cookie(server.token("site office", "view"))
        page = server.request("GET", "/week", headers=headers).text
        totals = re.sub(
            r"\s+", " ", re.sub(r"<[^>]+>", " ", page.split('class="totals"')[1].split("</dl>")[0])
        )
        # 3 with the one that the site begins with; 5 h of firing in each week.
        assert "Faults per firing hour 0.6 better week before: 2.4" in totals
        assert "Operator faults 3 week before: 12" in totals
        assert "Firing hours 5.0 h week before: 5.0 h" in totals
        today = datetime.fromtimestamp(NOW / SECOND, UTC).date()
        cell = f"hammer={HAMMER}&amp;since={today}&amp;until={today}"
        (link,) = re.findall(rf'href="(/alerts\?[^"]*{re.escape(cell)})"', page)
        listed = server.request("GET", link.replace("&amp;", "&"), headers=headers).text
        assert '<h2 id="found">2 alerts</h2>' in listed
        assert server.request("GET", "/week?back=1", headers=headers).text.count("▲") == 0
        assert date.fromisoformat("2026-02-25") - today == timedelta(0)


def test_a_week_before_without_work_is_no_week_without_faults(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        server.fired(NOW - 4 * HOUR, NOW - 3 * HOUR)
        page = server.request("GET", "/week", headers=server.cookie(server.token("site office", "view"))).text
        assert "week before: no firing recorded" in page
        assert not re.search(r"week before: [0–]", page)


def test_the_week_is_accessible_and_fits_a_phone(tmp_path: Path) -> None:
    with site(tmp_path) as server, browser() as chromium:
        for k in range(12):
            server.fired(NOW - k * DAY - 4 * HOUR, NOW - k * DAY - 2 * HOUR)
        name, _, value = server.cookie(server.token("trainer", "review"))["Cookie"].partition("=")
        for width, scheme in ((360, "light"), (1440, "dark")):
            context = chromium.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme)  # type: ignore[arg-type]
            address = f"http://127.0.0.1:{server.port}"
            context.add_cookies([{"name": name, "value": value, "url": address}])
            page = context.new_page()
            errors: list[str] = []
            page.on("console", lambda message: errors.append(message.text))  # noqa: B023 - read in this turn
            for path in ("/week", "/choices", "/alerts", "/write", "/offline"):
                page.goto(address + path)
                assert violations(page) == [], (path, width, scheme)
                assert page.evaluate("document.documentElement.scrollWidth") <= width, path
            assert errors == []  # nothing was held back by the policy
            context.close()
