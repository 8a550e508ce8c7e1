"""Everyday tasks take no more taps than they may."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.browser import browser
from tests.web.tasks import TASKS, Task, measure


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as chromium:
        yield chromium


@pytest.mark.parametrize("task", TASKS, ids=lambda task: task.name)
def test_a_task_takes_few_taps(chromium: Browser, task: Task) -> None:
    assert measure(chromium, task) <= task.most
