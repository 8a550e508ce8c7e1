"""In one step, a hammer with very many findings is committed after the others, and its messages are kept until then."""

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.service.worker import FLOODING
from strikewatch.sources.mqtt import Message
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from tests.service.bench import GivenMessages, worker_of

NOW = 1_772_622_000 * SECOND
FLIPS = FLOODING


def block(hammer: str, step_s: float, **channels: list[Any]) -> Message:
    number = len(next(iter(channels.values())))
    start = NOW - round(number * step_s * SECOND) - 60 * SECOND
    payload = {"time": instant.text(start), "step_s": step_s, **channels}
    topic = f"strikewatch/fennick-hollow/{hammer}/samples"
    return Message(topic, json.dumps(payload).encode(), NOW, 0, 1, 1, False)


def test_the_alert_of_another_hammer_is_committed_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log: list[str] = []
    store = Store(tmp_path / "watch.db")
    commit = store.commit

    def logged(record: StepRecord) -> None:
        commit(record)
        log.append(" ".join(sorted(hammer for _, hammer in record.states)))

    monkeypatch.setattr(store, "commit", logged)
    # A minute apart, so that each flip is an alert even with the off-delay; the flood came first.
    # The pressure changes, or it would be frozen after 10 min of firing.
    flood = block("HB-01", 61.0, pressure_bar=[5000.0, 120.0, 5000.0, 121.0] * (FLIPS // 2))
    honest = block("HB-02", 1.0, active=[True] * 22)
    source = GivenMessages([flood, honest])
    acknowledge = source.acknowledge

    def acknowledged(messages: Iterable[Message]) -> None:
        acknowledge(messages)
        log.append(f"acknowledged {len(source.acknowledged)}")

    monkeypatch.setattr(source, "acknowledge", acknowledged)
    worker_of(store, source, lambda: NOW).turn(0.0)
    with store.read() as connection:
        found = connection.execute(text("select hammer, fault, count(*) from alerts group by 1, 2")).all()
    store.close()
    assert log == ["HB-02", "HB-01", "acknowledged 2"]
    assert {tuple(row) for row in found} >= {
        ("HB-01", "sensor_fault", FLIPS),
        ("HB-02", "same_spot", 1),
    }
