"""The trainer's review from the page: made beside the processor, and for the role `review` only."""

import re
import threading
from base64 import b64encode
from hashlib import sha256
from pathlib import Path

import pytest
from playwright.sync_api import expect

from strikewatch.errors import Refused
from strikewatch.hosts.review_served import Reviews
from strikewatch.model.instant import SECOND
from strikewatch.settings import Settings
from tests.board.site import NOW, SITE, site
from tests.browser import browser
from tests.live.processor import until


def test_the_week_leads_a_trainer_to_the_review_and_nobody_else(tmp_path: Path) -> None:
    with site(tmp_path) as at:
        trainer, office = at.cookie(at.token("trainer", "review")), at.cookie(at.token("site office", "act"))
        at.fired(NOW - 600 * SECOND, NOW - 300 * SECOND)
        link = f'href="/review/{SITE}?back=0"'
        week = at.ask("GET", "/week", headers=trainer).text
        assert link in week
        assert week.count('<td class="number">0.1</td>') == 1  # 5 min of firing, that day
        assert link not in at.ask("GET", "/week", headers=office).text
        assert at.ask("GET", f"/review/{SITE}", headers=office).status == 403
        assert at.ask("GET", f"/review/{SITE}").status == 303

        first = at.ask("GET", f"/review/{SITE}?back=0", headers=trainer)
        assert first.status == 202
        assert "It is being made" in first.text

        def made() -> str:
            got = at.ask("GET", f"/review/{SITE}?back=0", headers=trainer)
            assert got.status in (200, 202), got.text
            policy.append(got.headers["content-security-policy"])
            return got.text if got.status == 200 else ""

        policy: list[str] = []
        report = until(made, 240.0)  # at low priority, beside whatever else runs
        assert "The trainer’s review" in report
        assert "op-14" in report
        (style,) = re.findall(r"<style>(.*?)</style>", report, re.S)
        assert f"sha256-{b64encode(sha256(style.encode()).digest()).decode()}" in policy[-1]
        assert "unsafe" not in policy[-1]

        name, _, value = trainer["Cookie"].partition("=")
        with browser() as chromium:
            context = chromium.new_context()
            context.add_cookies([{"name": name, "value": value, "url": f"http://127.0.0.1:{at.port}"}])
            page = context.new_page()
            said: list[str] = []
            page.on("console", lambda one: said.append(one.text))
            page.goto(f"http://127.0.0.1:{at.port}/week")
            page.click(f"[{link}]")
            expect(page.locator("h1")).to_have_text("The trainer’s review")
            assert page.evaluate("getComputedStyle(document.querySelector('h2')).borderTopWidth") == "3px"
            assert said == []  # nothing was held back by the policy


def test_what_cannot_be_made_is_said_and_what_is_under_way_ends_with_the_processor(tmp_path: Path) -> None:
    settings = Settings(**{"store": {"path": tmp_path / "none.db"}})
    reviews = Reviews(settings, lambda: NOW)
    asked = SITE, NOW - 7 * 86_400 * SECOND, NOW
    assert reviews.look(*asked) is None
    with pytest.raises(Refused, match="could not be made"):
        until(lambda: reviews.look(*asked), 240.0)
    assert reviews.look(*asked) is None  # it is tried again
    reviews.close()
    until(lambda: all(one.name != "review" for one in threading.enumerate()))
    assert reviews.look(*asked) is None
