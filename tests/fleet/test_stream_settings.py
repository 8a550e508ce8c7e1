"""What workers of a stream get: settings, and sources by which a message reaches the state of each of its hammers."""

import json
from pathlib import Path
from typing import Any

import pytest

from strikewatch.core.batch import Key
from strikewatch.errors import InputError
from strikewatch.fleet.streaming.engine import Router, StreamSettings
from strikewatch.settings.tree import load
from tests.fleet.messages import (
    KEY,
    NOW_MS,
    SAMPLES,
    SITE,
    Shard,
)

SPARKPLUG = """
[edge]
payload = "sparkplug"
group = "Fennick Hollow"
site = "fennick-hollow"
hammer = "{device}"
[edge.channels]
active = { named = "Hammer/On", hold_s = 600.0 }
"""
SOURCES = """
[tracker]
topic = "plant/{device}"
records = "$.units[*]"
time = { at = "@.at", as = "s" }
site = "fennick-hollow"
hammer = "@.unit"
[tracker.channels]
active = "@.on"
"""


def mapped(folder: Path, text: str = SOURCES, **tables: Any) -> StreamSettings:
    sources = folder / "sources.toml"
    sources.write_text(text, encoding="utf-8")
    return StreamSettings.of(load(given={"sources_file": str(sources), **tables}))


def test_settings_of_workers_give_the_same_results_and_hold_no_secrets(tmp_path: Path) -> None:
    path = tmp_path / "strikewatch.toml"
    path.write_text(
        "[faults.same_spot]\nlimit_s = 12.0\n[hammers.HB-01.same_spot]\nlimit_s = 9.0\n"
        '[mqtt]\nhost = "hush.example"\n'
        "[intake]\ngrace_s = 3.0\n",
        encoding="utf-8",
    )
    settings = load(path)
    given = StreamSettings.of(settings)
    assert "hush" not in given.settings
    assert given.load().of_hammer(KEY) == settings.of_hammer(KEY)
    assert given.load().intake == settings.intake


def test_the_router_finds_every_hammer_of_a_message(tmp_path: Path) -> None:
    given = mapped(tmp_path)
    router = Router(given)
    payload = json.dumps(
        {"units": [{"unit": "HB-01", "at": 1, "on": True}, {"unit": "HB-02", "at": 1, "on": True}]}
    )
    both: list[Key] = [(SITE, "HB-01"), (SITE, "HB-02")]
    assert router.hammers("plant/gateway", payload.encode(), NOW_MS * 1_000_000) == both
    assert router.hammers(SAMPLES, b"", 0) == [KEY]
    assert router.hammers("plant/gateway", b"{", 0) == [("", "")]
    assert router.hammers("elsewhere", b"{}", 0) == [("", "")]


def test_a_mapped_message_of_two_hammers_reaches_the_state_of_each(tmp_path: Path) -> None:
    given = mapped(tmp_path)
    first, second = Shard(given), Shard(given)
    for k in range(40):
        at = (NOW_MS + 500 * k) / 1000
        units = [{"unit": name, "at": at, "on": True} for name in ("HB-01", "HB-02")]
        message = ("plant/gateway", json.dumps({"units": units}).encode())
        first.take([message], NOW_MS + 500 * k, only={(SITE, "HB-01")})
        second.take([message], NOW_MS + 500 * k, only={(SITE, "HB-02")})
    assert list(first.hammers) == [(SITE, "HB-01")]
    assert list(second.hammers) == [(SITE, "HB-02")]
    for shard in (first, second):
        assert [change.step for change in shard.changes] == ["raised"]
        assert sum(one.rows for one in shard.outcomes) == 40


RECORDS = """
[tracker]
topic = "plant/{hammer}"
records = "$.units[*]"
time = { at = "@.at", as = "s" }
site = "fennick-hollow"
[tracker.channels]
active = "@.on"
"""


def test_each_reject_of_a_mapped_message_is_reported_by_one_shard(tmp_path: Path) -> None:
    """A record that cannot be used: with a hammer of its own, without one, and of the hammer in the topic."""
    at = NOW_MS / 1000
    units = [
        {"unit": "HB-01", "at": at, "on": True},
        {"unit": "HB-02", "at": at, "on": True},
        {"unit": "HB-02", "at": "soon", "on": True},
        {"unit": "HB/03", "at": at, "on": True},
    ]
    message = ("plant/gateway", json.dumps({"units": units}).encode())
    given = mapped(tmp_path)
    found = []
    for name in ("HB-01", "HB-02", ""):
        shard = Shard(given)
        shard.take([message], NOW_MS + 500, only={(SITE, name) if name else ("", "")})
        found.append(len([one for outcome in shard.outcomes for one in outcome.rejects]))
    assert sum(found) == 2
    of_topic = Shard(mapped(tmp_path, RECORDS))
    of_topic.take([("plant/HB-01", message[1])], NOW_MS + 500)
    assert [one.key for one in of_topic.outcomes[0].rejects] == [KEY]


def test_a_mapped_hammer_of_another_shard_takes_no_place_in_this_one(tmp_path: Path) -> None:
    given = mapped(tmp_path, intake={"max_hammers_per_site": 1})
    units = [{"unit": name, "at": NOW_MS / 1000, "on": True} for name in ("HB-02", "HB-01")]
    shard = Shard(given)
    message = ("plant/gateway", json.dumps({"units": units}).encode())
    shard.take([message], NOW_MS + 500, only={KEY})
    assert list(shard.hammers) == [KEY]
    assert not shard.outcomes[0].rejects


def test_sparkplug_is_refused_before_a_stream_starts(tmp_path: Path) -> None:
    sources = tmp_path / "sources.toml"
    sources.write_text(SPARKPLUG, encoding="utf-8")
    with pytest.raises(InputError, match="run a processor for its site"):
        StreamSettings.of(load(given={"sources_file": str(sources)}))
