"""A page with no, six, twelve and sixty hammers is complete, small, and fits."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.browser import browser, violations
from tests.web.pictures import crowd, demo, shoot

HEAVY = 60_000
"""Bytes of the page with all that goes with it, as sent, at most."""


@pytest.mark.parametrize("hammers", [0, 60])
def test_none_and_sixty(tmp_path: Path, hammers: int) -> None:
    with crowd(tmp_path, hammers) as url, browser() as chromium:
        page = chromium.new_page(viewport={"width": 1280, "height": 900})
        sizes: list[int] = []
        page.on("requestfinished", lambda request: sizes.append(request.sizes()["responseBodySize"]))
        page.goto(url)
        expect(page.locator(".hammer")).to_have_count(hammers)
        expect(page.locator("svg.timeline")).to_have_count(hammers, timeout=60_000)
        assert sum(sizes) < HEAVY
        assert violations(page) == []
        if not hammers:
            expect(page.locator(".nothing")).to_contain_text("No hammer has been heard yet")
            pictures = shoot(chromium, url, tmp_path, "page")
            assert len({picture.read_bytes() for picture in pictures}) == 4


def test_a_hundred_alerts_at_twelve_hammers(tmp_path: Path) -> None:
    with crowd(tmp_path, 12, 100) as url, browser() as chromium:
        page = chromium.new_page(viewport={"width": 360, "height": 760})
        page.goto(url)
        expect(page.locator("svg.timeline")).to_have_count(12)
        assert violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 360


def test_the_demo_once_alerts_have_ended() -> None:
    """The six hammers of the invented site with their faults: accessible, and no wider than a phone."""
    with demo() as url, browser() as chromium:
        page = chromium.new_page(viewport={"width": 360, "height": 760})
        page.goto(url)
        expect(page.locator(".hammer")).to_have_count(6, timeout=60_000)
        ended = page.locator("#ended summary")
        expect(ended).to_contain_text(re.compile(r"not acknowledged \([1-9]"), timeout=120_000)
        assert violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
