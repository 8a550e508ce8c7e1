"""The trainer's review from the page: made in its own process, for the role `review` only."""

import re
import sys
import threading
from base64 import b64encode
from hashlib import sha256
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import expect

from strikewatch.core.instant import SECOND
from strikewatch.errors import Refused
from strikewatch.service.reviews import jobs
from strikewatch.service.reviews.jobs import FRESH_S, RETRY_S, ReviewJobs
from strikewatch.settings.tree import Settings
from strikewatch.web.pages.formatting import load_translations
from strikewatch.web.pages.page import Review
from strikewatch.web.pages.views.week import with_status
from tests.browser import browser
from tests.waiting import until
from tests.web.site import NOW, SITE, site


def test_the_week_leads_a_trainer_to_the_review_and_nobody_else(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        trainer, office = (
            server.cookie(server.token("trainer", "review")),
            server.cookie(server.token("site office", "act")),
        )
        server.fired(NOW - 600 * SECOND, NOW - 300 * SECOND)
        link = f'href="/review/{SITE}?back=0"'
        week = server.request("GET", "/week", headers=trainer).text
        assert link in week
        assert week.count("in 0.1 firing hours") == 1  # 5 min of firing, that day
        assert link not in server.request("GET", "/week", headers=office).text
        assert server.request("GET", f"/review/{SITE}", headers=office).status == 403
        assert server.request("GET", f"/review/{SITE}").status == 303

        first = server.request("GET", f"/review/{SITE}?back=0", headers=trainer)
        assert first.status == 202
        assert "Preparing." in first.text
        assert first.headers["retry-after"] == "2"

        def review() -> str:
            response = server.request("GET", f"/review/{SITE}?back=0", headers=trainer)
            assert response.status in (200, 202), response.text
            policy.append(response.headers["content-security-policy"])
            return response.text if response.status == 200 else ""

        policy: list[str] = []
        report = until(review, 240.0)  # at low priority, beside whatever else runs
        assert "The trainer’s review" in report
        assert "op-14" in report
        assert "As at " in report
        (style,) = re.findall(r"<style>(.*?)</style>", report, re.S)
        assert f"sha256-{b64encode(sha256(style.encode()).digest()).decode()}" in policy[-1]
        assert "unsafe" not in policy[-1]

        name, _, value = trainer["Cookie"].partition("=")
        with browser() as chromium:
            context = chromium.new_context()
            context.add_cookies([{"name": name, "value": value, "url": f"http://127.0.0.1:{server.port}"}])
            page = context.new_page()
            violations: list[str] = []
            page.on("console", lambda message: violations.append(message.text))
            page.goto(f"http://127.0.0.1:{server.port}/week")
            page.click(f"[{link}]")
            expect(page.locator("h1")).to_have_text("The trainer’s review")
            assert page.evaluate("getComputedStyle(document.querySelector('h2')).borderTopWidth") == "3px"
            assert violations == []  # nothing was held back by the policy


def test_what_cannot_be_made_is_said_and_what_is_under_way_ends_with_the_processor(tmp_path: Path) -> None:
    settings = Settings(**{"store": {"path": tmp_path / "none.db"}})
    reviews = ReviewJobs(settings, lambda: NOW)
    request = SITE, NOW - 7 * 86_400 * SECOND, NOW
    assert reviews.get_report(*request) is None
    with pytest.raises(Refused, match="could not be made"):
        until(lambda: reviews.get_report(*request), 240.0)
    assert reviews.get_report(*request) is None  # it is tried again
    reviews.close()
    until(lambda: all(thread.name != "review" for thread in threading.enumerate()))
    assert reviews.get_report(*request) is None


def test_a_report_is_served_at_once_however_fast_the_wall_clock_runs_and_is_renewed_meanwhile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As in a demo, whose wall clock runs sixty times as fast: a report is old as soon as it is made, by that."""
    monkeypatch.setattr(jobs, "COMMAND", maker(tmp_path, "print('the report')"))
    wall, real_s = [NOW], [0.0]
    reviews = ReviewJobs(Settings(), lambda: wall[0], lambda: real_s[0])
    request = SITE, NOW - 86_400 * SECOND, NOW + 6 * 86_400 * SECOND
    assert reviews.get_report(*request) is None
    first = until(lambda: reviews.get_report(*request))
    assert (first.html.strip(), first.data_until, first.whole, first.renewing) == (
        "the report",
        NOW,
        False,
        False,
    )
    wall[0] += 3600 * SECOND  # a minute of the demo
    assert reviews.get_report(*request) == first
    real_s[0] += FRESH_S
    renewing = reviews.get_report(*request)
    assert renewing is not None
    assert (renewing.data_until, renewing.renewing) == (NOW, True)  # the old one, at once
    second = until(lambda: (review := reviews.get_report(*request)) and review.data_until > NOW and review)
    assert (second.data_until, second.renewing) == (wall[0], False)

    maker(tmp_path, "raise SystemExit(2)")
    real_s[0] += FRESH_S
    failed = until(lambda: (review := reviews.get_report(*request)) and review.failed and review)
    assert (failed.html, failed.data_until, failed.renewing) == (second.html, second.data_until, False)
    real_s[0] += RETRY_S
    again = reviews.get_report(*request)
    assert again is not None
    assert again.renewing  # tried again, but not with every look
    reviews.close()
    until(lambda: all(thread.name != "review" for thread in threading.enumerate()))


def test_a_period_that_is_over_is_made_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jobs, "COMMAND", maker(tmp_path, "print('the report')"))
    real_s = [0.0]
    reviews = ReviewJobs(Settings(), lambda: NOW, lambda: real_s[0])
    request = SITE, NOW - 86_400 * SECOND, NOW - 3600 * SECOND
    review = until(lambda: reviews.get_report(*request))
    assert review.whole
    real_s[0] += 100 * FRESH_S
    assert reviews.get_report(*request) == review
    reviews.close()


def test_a_served_report_says_its_time_and_leads_back() -> None:
    words, zone = load_translations()["en"], ZoneInfo("UTC")
    report = "<html><body><header><h1>Review</h1></header></body></html>"
    html = with_status(Review(report, NOW, renewing=True), words, zone, NOW + 60 * SECOND)
    assert '<header>\n<p role="status">As at 06:13:20. A newer review is being prepared' in html
    assert 'href="/week"' in html
    whole = with_status(Review(report, NOW, whole=True), words, zone, NOW)
    assert "As at" not in whole
    assert 'href="/week"' in whole


def maker(folder: Path, code: str) -> list[str]:
    """A stand-in for the process that makes reports, quick and predictable."""
    path = folder / "maker"
    path.write_text(f"import sys\nsys.stdin.read()\n{code}\n")
    return [sys.executable, str(path)]
