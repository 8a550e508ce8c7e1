"""A hammer that is greased automatically is never said to be due for greasing."""

from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.browser import browser
from tests.web.site import NOW, site

GREASED = "Greased automatically"


def test_neither_page_tells_of_an_interval(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # With these it would be overdue from the first second on.
    monkeypatch.setenv("STRIKEWATCH_FAULTS__GREASE__METHOD", "automatic")
    for name in ("DUE_S", "OVERDUE_S", "HIGH_S"):
        monkeypatch.setenv(f"STRIKEWATCH_FAULTS__GREASE__{name}", "1")
    with site(tmp_path, look_freely=True) as at, browser() as chromium:
        at.work(NOW + 60_000_000_000)
        due = at.ask("GET", "/due").text
        assert GREASED in due
        assert "overdue by" not in due
        page = chromium.new_page()
        page.goto(f"http://127.0.0.1:{at.port}/")
        expect(page.locator('[data-slot="grease"]')).to_have_text(GREASED)
