"""Sixty hammers on one page: it stays light, is whole, and fits; none are said to be none."""

from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.board.pictures import crowd, shoot
from tests.browser import browser, violations

HEAVY = 150_000
"""Bytes of the page with all that goes with it, at most."""


@pytest.mark.parametrize("hammers", [0, 60])
def test_none_and_sixty(tmp_path: Path, hammers: int) -> None:
    with crowd(tmp_path, hammers) as url, browser() as chromium:
        page = chromium.new_page(viewport={"width": 1280, "height": 900})
        sizes: list[int] = []
        page.on("requestfinished", lambda one: sizes.append(one.sizes()["responseBodySize"]))
        page.goto(url)
        expect(page.locator(".hammer")).to_have_count(hammers)
        expect(page.locator("svg.strip")).to_have_count(hammers, timeout=20_000)
        assert sum(sizes) < HEAVY
        assert violations(page) == []
        if not hammers:
            expect(page.locator(".nothing")).to_contain_text("No hammer has been heard yet")
        pictures = shoot(chromium, url, tmp_path, "page")
        assert len({one.read_bytes() for one in pictures}) == 4
