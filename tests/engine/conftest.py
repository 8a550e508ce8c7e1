"""Fixtures for tests of alerts with a real database."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.engine.scenario import AlertScenario


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Callable[..., AlertScenario]]:
    """Make scenarios with the settings given for alarms; they are closed after the test."""
    scenarios: list[AlertScenario] = []

    def make_scenario(**alarms: Any) -> AlertScenario:
        scenarios.append(AlertScenario(tmp_path, **alarms))
        return scenarios[-1]

    yield make_scenario
    for scenario in scenarios:
        scenario.close()
