"""Everyday tasks take no more taps than they may."""

import pytest
from playwright.sync_api import Browser

from tests.web.tasks import TASKS, Task, measure


@pytest.mark.parametrize("task", TASKS, ids=lambda task: task.name)
def test_a_task_takes_few_taps(chromium: Browser, task: Task) -> None:
    assert measure(chromium, task) <= task.most
