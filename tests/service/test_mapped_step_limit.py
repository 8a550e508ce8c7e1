"""A mapped message with days of rows is processed in several steps and mapped once; what comes of it is the same."""

import json
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.service.intake.step import LIMIT_NS, QUANTUM_NS
from strikewatch.service.worker import Worker
from strikewatch.settings.tree import Settings
from strikewatch.sources.mapping import Sources, check_tables
from strikewatch.sources.mqtt import Message
from strikewatch.storage.commit.store import Store
from tests.service.bench import GivenMessages
from tests.service.test_admission import RECEIVED
from tests.service.test_step_limit import stored

ROWS = 10_000
STEP_S = 3
START = RECEIVED - (ROWS * STEP_S + 60) * SECOND
TABLES = """
[logger]
topic = "logger/{number}"
records = "$[*]"
time = { at = "@.t", as = "ms" }
site = "fennick-hollow"
hammer = "@.h"
[logger.channels]
active = "@.on"
oil_c = "@.oil"
[cab]
topic = "cab/{hammer}"
time = { at = "@.t", as = "ms" }
site = "fennick-hollow"
[cab.event]
event = { at = "@.way", words = { in = "sign_on" } }
operator = { at = "@.card", words = { a = "op-11" } }
"""


def message(topic: str, payload: Any) -> Message:
    return Message(topic, json.dumps(payload).encode(), RECEIVED, 0, 1, 1, redelivered=False)


def logged(first: int, last: int, hammer: str = "HB-66") -> list[dict[str, Any]]:
    """Return records `first` up to `last` of a hammer whose oil is hot and cool in turns while it fires."""
    return [
        {
            "h": hammer,
            "t": (START + k * STEP_S * SECOND) // 10**6,
            "on": True,
            "oil": 70.0 if k % 4 == 3 else 90.0,
        }
        for k in range(first, last)
    ]


def process(path: Path, messages: Sequence[Message]) -> tuple[Worker, GivenMessages]:
    tables, problems = check_tables(tomllib.loads(TABLES))
    assert not problems
    source = GivenMessages()
    source.coming += messages
    store = Store(path)
    worker = Worker(
        Settings(),
        store,
        source,
        wall=lambda: RECEIVED,
        monotonic=lambda: 0,
        alerts_changed=lambda: None,
        wait=lambda _s: True,
        sources=Sources(tables),
    )
    while worker.turn(0.0):
        pass
    worker.source_health = worker._sources.report(RECEIVED)
    store.close()
    return worker, source


def test_no_step_has_much_of_it_and_the_alerts_are_those_of_small_messages(tmp_path: Path) -> None:
    other = logged(ROWS - 10, ROWS, "HB-03")
    _, source = process(tmp_path / "one.db", [message("logger/1", [*logged(0, ROWS), *other])])
    assert len(source.acknowledged) == 1
    alerts, commits = stored(tmp_path / "one.db")
    assert len(alerts) > ROWS // 4
    sizes = [len(commit.get("HB-66", ())) for commit in commits]
    assert sum(sizes) == ROWS
    assert max(sizes) * STEP_S * SECOND <= LIMIT_NS + QUANTUM_NS
    assert "HB-03" in commits[0]

    small = [message("logger/1", logged(k, k + 100)) for k in range(0, ROWS, 100)]
    process(tmp_path / "two.db", [*small, message("logger/1", other)])
    assert stored(tmp_path / "two.db")[0] == alerts


def test_it_is_mapped_once_so_that_nothing_is_counted_twice(tmp_path: Path) -> None:
    payload = [{"t": 1, "h": "HB-66", "oil": "x"}, *logged(0, ROWS)]
    worker, source = process(tmp_path / "one.db", [message("logger/1", payload)])
    assert len(source.acknowledged) == 1
    assert sum(worker.rejected.values()) == 1
    [health] = [health for health in worker.source_health if health.name == "logger"]
    assert (health.messages, health.values) == (1, 2 * ROWS)


def test_what_follows_it_waits_for_its_last_row(tmp_path: Path) -> None:
    """A sign-on by a mapped topic, more rows, and samples by the hammer's own topic."""
    at = START + ROWS // 2 * STEP_S * SECOND
    sample = {"time": instant.text(START + (ROWS + 5) * STEP_S * SECOND), "oil_c": 60.0}
    following = [
        message("cab/HB-66", {"t": at // 10**6, "way": "in", "card": "a"}),
        message("logger/1", logged(ROWS, ROWS + 5)),
        message("strikewatch/fennick-hollow/HB-66/samples", sample),
    ]
    worker, source = process(tmp_path / "one.db", [message("logger/1", logged(0, ROWS)), *following])
    assert len(source.acknowledged) == 4
    assert not worker.rejected
    _, commits = stored(tmp_path / "one.db")
    times = [at for commit in commits for at in commit.get("HB-66", ())]
    assert times == sorted(set(times))
    assert len(times) == ROWS + 6
    store = Store(tmp_path / "one.db")
    with store.read() as connection:
        found = connection.exec_driver_sql("select kind, time_ns from events").all()
    store.close()
    assert [tuple(one) for one in found] == [("sign_on", at // 10**6 * 10**6)]
