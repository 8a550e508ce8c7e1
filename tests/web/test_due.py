"""The page shows what is due and what is not monitored; greasing is never due with automatic greasing."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import expect

from strikewatch.web.pages.formatting import Formatting
from strikewatch.web.pages.translations import load_translations
from tests.browser import browser
from tests.web.site import HAMMER, NOW, SITE, site

DAY = 86_400 * 1_000_000_000


def test_hours_and_days_left_are_shown_with_overdue_items_first(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        server.work(NOW)
        items = {item.what: item for item in server.live_state.hammers[SITE, HAMMER].due_items(NOW)}
        assert list(items) == ["grease", "inspection", "service"]
        # One minute of work since it was first heard: 2 h, 50 h or 7 days, 1,000 h or 365 days (common practice).
        assert items["grease"].hours_left == pytest.approx(2 - 1 / 60)
        assert items["inspection"].hours_left == pytest.approx(50 - 1 / 60)
        assert items["inspection"].days_left == pytest.approx(7, abs=0.001)
        assert items["service"].days_left == pytest.approx(365, abs=0.001)
        assert not items["inspection"].recorded
        text = _text(server.request("GET", "/due").text)
        assert "Greasing 1 h 59 min of work left" in text
        assert (
            "Inspection of tool and lower bushing 50 h of work left 7 days left not enough history yet"
            in text
        )
        server.work(NOW + 9 * DAY)
        server.wait(9 * DAY)
        text = _text(server.request("GET", "/due").text)
        assert re.search(
            r"Due now or soon .* Inspection of tool and lower bushing Overdue\. 50 h of work left 2 days overdue",
            text,
        )
        assert text.index("Overdue.") < text.index("Later") < text.index("Full service")


def test_faults_that_a_feed_cannot_show_are_listed_with_the_reason(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        server.work(NOW)
        text = _text(server.request("GET", "/").text)
        assert "Tool not square to the surface: no tilt_deg in the feed" in text
        assert "Hot oil:" not in text


def test_hours_of_work_are_rounded_as_people_plan() -> None:
    formatting = Formatting(load_translations()["en"])
    assert [formatting.work_time(h) for h in (0.0, 0.9, 1.999, 9.5, 47.3)] == [
        "0 min",
        "54 min",
        "2 h 00 min",
        "9 h 30 min",
        "47 h",
    ]


def _text(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))


GREASED = "Greased automatically"


def test_no_greasing_interval_is_shown_with_automatic_greasing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # With these it would be overdue from the first second on.
    monkeypatch.setenv("STRIKEWATCH_FAULTS__GREASE__METHOD", "automatic")
    for name in ("DUE_S", "OVERDUE_S", "HIGH_S"):
        monkeypatch.setenv(f"STRIKEWATCH_FAULTS__GREASE__{name}", "1")
    with site(tmp_path, look_freely=True) as server, browser() as chromium:
        server.work(NOW + 60_000_000_000)
        due = server.request("GET", "/due").text
        assert GREASED in due
        assert "overdue by" not in due
        page = chromium.new_page()
        page.goto(f"http://127.0.0.1:{server.port}/")
        expect(page.locator('[data-slot="grease"]')).to_have_text(GREASED)
