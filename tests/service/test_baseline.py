"""What the live processor learns of a hammer's loaded level: its bouts in the database, the command beside it, and a
wish to learn anew that it takes up while it works."""

import json
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np
import pytest

import strikewatch
from strikewatch.cli.main import main
from strikewatch.core.instant import SECOND
from strikewatch.service.worker import Worker
from strikewatch.sources.mqtt import Message
from strikewatch.storage.commit.store import Store
from tests.physics.feeds import START, feed
from tests.physics.work import shift
from tests.service.bench import worker_of

TOPIC = "strikewatch/fennick-hollow/HB-01/samples"
NOW = START.value + 24 * 3600 * SECOND


class Feed:
    """A source of blocks of one second each."""

    def __init__(self, messages: Iterator[Message]) -> None:
        self._coming = messages
        self.open = 0

    def take(self, limit: int, timeout_s: float) -> list[Message]:
        del timeout_s
        return [message for _, message in zip(range(min(limit, self.open)), self._coming, strict=False)]

    def acknowledge(self, messages: Iterable[Message]) -> None:
        self.open -= len(list(messages))


def blocks(minutes: float) -> list[Message]:
    """Return messages of ten rows each, as a gateway sends them."""
    table = feed(shift(2100, minutes), "10Hz_mean")
    out = []
    for start in range(0, len(table), 10):
        part = table.iloc[start : start + 10]
        body = {
            "time_ms": int(part["time"].iloc[0].value) // 1_000_000,
            "step_s": 0.1,
            "active": [bool(one) for one in part["active"]],
            "pressure_bar": [round(float(one), 2) for one in part["pressure_bar"]],
            "engine_rpm": [None if np.isnan(one) else float(one) for one in part["engine_rpm"]],
        }
        out.append(Message(TOPIC, json.dumps(body).encode(), NOW, 0, 1, 1, False))
    return out


def told(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    capsys.readouterr()
    assert main(arguments) == 0
    return capsys.readouterr().out


def test_a_baseline_is_learned_live_shown_and_relearned(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Bouts in the database are those of a replay; `baseline` shows the level while the store is open; `relearn` takes
    effect with the next look, and says so in the very next bouts; it survives a restart."""
    path = tmp_path / "strikewatch.db"
    (tmp_path / "settings.toml").write_text(f'[store]\npath = "{path}"\n')
    monkeypatch.setenv("STRIKEWATCH_CONFIG", str(tmp_path / "settings.toml"))
    monkeypatch.setenv("COLUMNS", "80")
    coming = blocks(12)
    clock = {"mono": 0}

    def started() -> tuple[Store, Worker, Feed]:
        store = Store(path)
        source = Feed(iter(coming))
        return store, worker_of(store, source, lambda: NOW, lambda: clock["mono"]), source

    def work(worker: Worker, source: Feed, n: int) -> None:
        source.open = n
        while source.open > 0 and worker.turn(0.0):
            clock["mono"] += SECOND // 10

    store, worker, source = started()
    work(worker, source, 400)
    table = told(capsys, "baseline")
    assert max(map(len, table.splitlines())) <= 80
    (shown,) = (
        json.loads(line)
        for line in told(capsys, "baseline", "--hammer", "HB-01", "--since", "400d", "--json").splitlines()
    )
    assert shown["learned"]["known"] in ("learning", "well")
    assert 50 < shown["learned"]["level_bar"] < 250
    level = shown["learned"]["level_bar"]
    assert sum(day["bouts"] for day in shown["days"]) > 10
    assert "bar" in told(capsys, "baseline", "--hammer", "HB-01", "--since", "400d")

    monkeypatch.setattr(time, "time_ns", lambda: START.value + 402 * SECOND)
    assert "relearns its level" in told(
        capsys, "baseline", "relearn", "HB-01", "--by", "fitter", "--reason", "new seals"
    )
    assert main(["baseline", "relearn", "HB-77", "--by", "fitter", "--reason", "new seals"]) == 2
    assert "HB-77" in capsys.readouterr().err
    monkeypatch.undo()
    monkeypatch.setenv("STRIKEWATCH_CONFIG", str(tmp_path / "settings.toml"))
    clock["mono"] += 2 * SECOND
    coming = coming[400:]
    work(worker, source, 60)
    coming = coming[60:]
    store.close()
    store, worker, source = started()
    work(worker, source, len(coming))
    store.close()

    store = Store(path)
    with store.read() as connection:
        rows = connection.exec_driver_sql(
            "select start_ns, end_ns, not_judged, judged_ns from bouts order by start_ns"
        ).all()
        (applied,) = connection.exec_driver_sql(
            "select applied_ns from events where kind = 'relearn'"
        ).scalars()
    store.close()
    again = [row for row in rows if row.start_ns > applied]
    assert again[0].not_judged == "learning"
    assert again[-1].judged_ns > 0
    assert [row for row in rows if row.start_ns < applied][-1].judged_ns > 0
    whole = strikewatch.bouts(feed(shift(2100, 12), "10Hz_mean"))
    expected = [
        (one["start"].as_unit("ns").value, one["end"].as_unit("ns").value) for one in whole.to_dict("records")
    ]
    assert [(row.start_ns, row.end_ns) for row in rows] == expected[: len(rows)]
    assert len(rows) >= len(expected) - 1
    assert level > 0
