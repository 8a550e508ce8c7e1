"""The browser for the tests of pages."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.browser import browser


@pytest.fixture
def chromium() -> Iterator[Browser]:
    """The browser of this process; what a test opens in it is closed after the test."""
    with browser() as chromium:
        yield chromium
