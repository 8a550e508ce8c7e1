"""Corrections through the real processor, its restart and its recordings: as if the wrong entries had not come."""

import json
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import make_url

from strikewatch.core import instant
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.storage.actions.entries import add_entry
from strikewatch.storage.engines.shared import SharedDatabase
from tests.broker import Broker
from tests.cli.command import strikewatch
from tests.service.processor import SITE, Gateway, Processor, until

HAMMER = "HB-01"
START = instant.parse("2026-03-04T06:00:00Z")
MINUTE = 60 * SECOND
Alerts = list[dict[str, Any]]


def command(*words: str) -> Alerts:
    done = strikewatch(*words)
    assert done.returncode == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def at(minutes: int) -> str:
    return instant.text(START + minutes * MINUTE)


def work(gateway: Gateway, processor: Processor, first: int, last: int) -> None:
    """Send work of the carrier between two minutes: a row every 10 s, in blocks of ten minutes."""
    for minute in range(first, last, 10):
        gateway.block(HAMMER, START + minute * MINUTE, 10.0, active=[False] * 60)
    gateway.settle()
    processor.wait_until_committed()


@pytest.mark.parametrize("database", ["", "postgresql"])
def test_a_withdrawn_greasing_resets_no_timer_live_or_in_a_replay(
    tmp_path: Path, database: str, request: pytest.FixtureRequest
) -> None:
    """Greased by mistake at 60 min, in a message, and a meter entered wrongly beside the processor; both withdrawn:
    greasing is due after 105 min of work, and overdue after 120, as if neither had been entered."""
    store: dict[str, Any] = {"url": str(request.getfixturevalue(database).database())} if database else {}
    with Broker(tmp_path / "broker") as broker:
        processor = Processor(tmp_path / "processor", broker, intake={"grace_s": 60.0}, store=store).start()
        where = make_url(store["url"]) if store else processor.folder / "strikewatch.db"
        with processor, Gateway(broker, in_flight=500) as gateway:
            work(gateway, processor, 0, 60)
            gateway.send(HAMMER, "events", {"time": at(60), "event": "grease", "strokes": [2, 2]})
            work(gateway, processor, 60, 70)
            with SharedDatabase(where) as place:
                meter = Event(SITE, HAMMER, "hours", START + 65 * MINUTE, {"meter_h": 10.0})
                add_entry(place, meter, who="site office", now=START)
                wrong = Event(SITE, HAMMER, "hours", START + 66 * MINUTE, {"meter_h": 1990.0})
                number = add_entry(place, wrong, who="site office", now=START).number
                work(gateway, processor, 70, 80)
                until(lambda: _taken_up(processor, 2))
                work(gateway, processor, 80, 90)
                withdrawal = Event(SITE, HAMMER, "withdrawal", START + 85 * MINUTE, {})
                add_entry(place, withdrawal, who="site office", now=START, corrects=number)
                until(lambda: _taken_up(processor, 3))
            assert processor.stop() == 0
            processor.start()
            correction = {"event": "grease", "time": at(60)}
            gateway.send(HAMMER, "events", {"time": at(92), "event": "withdrawal", "corrects": correction})
            work(gateway, processor, 90, 150)
            assert processor.stop() == 0
        live = processor.alerts()
        found = {one["fault"]: (one["onset"], one["cleared"]) for one in live}
        assert found["grease_short"] == (at(60), at(92))
        assert found["grease_due"] == (at(105), None)
        assert found["grease_overdue"] == (at(120), None)
        overdue = found["service_overdue"]
        assert overdue[1] is not None  # raised by the wrong meter, cleared by its withdrawal
        ids = [(one["id"], one["cleared"]) for one in live]
        replay = command("replay", "--json", str(processor.recordings))
        assert ids == [(one["id"], one["cleared"]) for one in replay]
        due = command("due", "--json", "--config", str(processor.folder / "settings.toml"))
        left = {one["what"]: one["hours_left"] for one in due}
        assert left["service"] == pytest.approx(1000 - 149.8 / 60, abs=0.1)


def _taken_up(processor: Processor, n: int) -> bool:
    """Return whether the processor has applied at least `n` entries."""
    return processor.log().count("entry_applied") >= n
