"""Replaying what a live run recorded finds exactly what the live run found."""

import json
import os
import random
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from sqlalchemy import URL, make_url

from strikewatch.core import instant
from strikewatch.review.data.attribution import from_replay
from strikewatch.review.data.from_store import from_store
from strikewatch.service.recorded.replay import replay_shifts
from strikewatch.service.reviews import hammers
from strikewatch.settings.tree import load
from strikewatch.sources.recordings import open_shifts
from strikewatch.storage.engines.shared import SharedDatabase
from tests.broker import Broker
from tests.cli.command import strikewatch
from tests.service.processor import Gateway, Processor, messages
from tests.twins.signals import accepted
from tests.twins.streams import boundary_stream, columns

FIELDS = ("id", "fault", "site", "hammer", "operator", "priority", "onset", "cleared", "summary", "evidence")


def told(record: dict[str, Any]) -> dict[str, Any]:
    """Return the fields that must be equal: all but `historic`; of an active alert, those at its last step."""
    names = FIELDS if record["cleared"] else FIELDS[:-2]
    return {name: record[name] for name in names}


def replayed(path: Path) -> list[dict[str, Any]]:
    done = strikewatch("replay", "--json", path)
    assert done.returncode == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


SEEDS = (1, 7, 11, 14) if "STRIKEWATCH_SEEDS" in os.environ else (1, 7)


@pytest.mark.parametrize(("seed", "database"), [*((seed, "") for seed in SEEDS), (4, "postgresql")])
def test_a_live_run_and_the_replay_of_its_recordings_find_the_same(
    tmp_path: Path, seed: int, database: str, request: pytest.FixtureRequest
) -> None:
    """Nasty streams of up to three hammers as blocks and singles, jostled a little and partly sent twice, events late;
    the processor is restarted half-way, so that there are several recordings."""
    rng = random.Random(seed)
    stream = boundary_stream(seed)
    queue: list[tuple[int, str, str, Any]] = []
    for hammer, rows in stream.rows.items():
        for group in messages(columns(accepted(rows)), rng.choice((1, 7, 30))) if rows else []:
            at = instant.parse(group[0]["time"])
            queue.append((at + rng.choice((0, 0, 0, 300_000_000)), hammer, "samples", group))
            if rng.random() < 0.1:
                queue.append((at + 400_000_000, hammer, "samples", group))
        for event in stream.events[hammer]:
            at = event.time + rng.choice((0, 0, 2_000_000_000, 30_000_000_000))
            payload = {"time_ms": event.time // 1_000_000, "event": event.kind, **event.fields}
            queue.append((at, hammer, "events", payload))
        # A last row long after, so that neither way has anything left to wait for.
        queue.append((stream.end + 10**12, hammer, "samples", {"time_ms": (stream.end + 10**12) // 10**6}))
    queue.sort(key=lambda one: one[0])
    with Broker(tmp_path / "broker") as broker:
        store: dict[str, Any] = {"url": str(request.getfixturevalue(database).database())} if database else {}
        intake = {"grace_s": 60.0}
        with (
            Processor(tmp_path / "processor", broker, intake=intake, store=store).start() as processor,
            Gateway(broker, in_flight=500) as gateway,
        ):
            for half in (queue[: len(queue) // 2], queue[len(queue) // 2 :]):
                for _, hammer, kind, payload in half:
                    gateway.send(hammer, kind, payload)
                gateway.settle()
                processor.wait_until_committed()
                assert processor.stop() == 0
                processor.start()
            assert processor.stop() == 0
        live = processor.alerts()
        replay = replayed(processor.recordings)
        assert len(live) > 3
        assert [told(record) for record in live] == [told(record) for record in replay]
        _same_review(processor, make_url(store["url"]) if store else None)


def _same_review(processor: Processor, url: URL | None) -> None:
    """The frames of the store, including unfinished work, equal those of the recordings."""
    where = url or processor.folder / "strikewatch.db"
    with SharedDatabase(where) as place:
        exposure, faults = from_store(place, 0, instant.LATEST)
    result = replay_shifts(open_shifts(processor.recordings), load().of_hammer)
    again, faults_again = from_replay(result.records, result.stretches(), result.steps, result.end)
    assert exposure["firing_s"].sum() > 10
    pd.testing.assert_frame_equal(exposure, again)
    over = [frame[frame["cleared"].notna()].reset_index(drop=True) for frame in (faults, faults_again)]
    pd.testing.assert_frame_equal(*(one.drop(columns=["historic", "evidence"]) for one in over))
    # And what the hammers went through, in all and in two parts, with the evidence of what still stands.
    half = _half(exposure)
    settings = load()
    with SharedDatabase(where) as place:
        for begin, end in ((0, half), (half, instant.LATEST), (0, instant.LATEST)):
            live = hammers.usage_of_store(place, settings, begin, end, instant.LATEST)
            pd.testing.assert_frame_equal(live, hammers.usage_of_replay(result, settings, begin, end))


def _half(exposure: pd.DataFrame) -> int:
    """Return an instant in the middle of the work."""
    middle = exposure.iloc[len(exposure) // 2]
    return int(middle["start"].value + middle["end"].value) // 2
