"""Problems of feeds are counted by sender and reason, within bounds, on each kind of database."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import URL

from strikewatch.core.printable import printable
from strikewatch.storage.actions import feed_problems
from strikewatch.storage.actions.feed_problems import (
    DAY,
    MAX_PROBLEMS,
    OTHERS,
    Problem,
    examples,
    readable,
    search,
)
from strikewatch.storage.commit.step import FeedCount, Reject, StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.retention import Retention
from strikewatch.storage.settings import Settings
from tests.storage.test_migrations import first_release
from tests.storage.test_store import NOW

KEY = ("fennick-hollow", "HB-01")
TOPIC = "strikewatch/fennick-hollow/HB-01/samples"


def bad(detail: str, payload: bytes = b"{}", *, rows: int = 1, reason: str = "bad_value") -> Reject:
    return Reject(TOPIC, payload, reason, detail, KEY, rows)


def found(store: Store, now: int = NOW, **asked: str | int) -> list[Problem]:
    with store.read() as connection:
        return search(connection, now, **asked)  # type: ignore[arg-type]


def test_each_sender_and_reason_has_one_row_with_first_and_last_time(where: Path | URL) -> None:
    store = Store(where)
    store.commit(
        StepRecord(NOW, rejects=[bad("first", b"\xff1"), bad("second"), bad("n", reason="not_json")])
    )
    store.commit(StepRecord(NOW + 5, rejects=[bad("third", rows=7)], feed=[FeedCount(KEY, "duplicate", 4)]))
    one = next(each for each in found(store) if each.reason == "bad_value")
    assert (one.sender, one.count, one.first, one.last) == ("fennick-hollow/HB-01", 9, NOW, NOW + 5)
    assert (one.detail, one.payload) == ("first", b"\xff1")
    assert {each.reason: each.count for each in found(store)} == {
        "bad_value": 9,
        "not_json": 1,
        "duplicate": 4,
    }
    assert found(store, site="elsewhere") == []
    assert [each.reason for each in found(store, since=NOW + 1)] == ["bad_value", "duplicate"]
    with store.read() as connection:
        assert feed_problems.senders_since(connection, NOW + 5) == 1
        assert feed_problems.senders_since(connection, NOW + 6) == 0
    store.close()


def test_recent_counts_cover_today_and_yesterday(where: Path | URL) -> None:
    store = Store(where)
    for day, rows in ((0, 1), (1, 2), (1, 4), (2, 8), (5, 16)):
        store.commit(StepRecord(NOW + day * DAY, rejects=[bad("x", rows=rows)]))
        (one,) = found(store, NOW + day * DAY)
        assert one.recent == {0: 1, 1: 1 + 6 if rows == 4 else 1 + 2, 2: 6 + 8, 5: 16}[day]
    assert [found(store, NOW + day * DAY)[0].recent for day in (6, 7)] == [16, 0]
    store.close()


def test_invented_senders_do_not_displace_real_ones_and_no_count_is_lost(
    where: Path | URL,
) -> None:
    store = Store(where)
    total = 0
    for k in range(30):
        store.commit(StepRecord(NOW + k, rejects=[bad("real")] * 2))
        made_up = [Reject(f"strikewatch/{k}/{i}/x", b"", "topic", "made up") for i in range(100)]
        store.commit(StepRecord(NOW + k, rejects=made_up))
        total += 102
    every = found(store)
    assert len(every) <= MAX_PROBLEMS + 1
    assert sum(one.count for one in every) == total
    assert next(one for one in every if one.site).count == 60
    (others,) = [one for one in every if one.sender == OTHERS]
    assert (others.name, others.reason) == ("other senders", "topic")
    store.close()


def test_examples_are_the_newest_of_the_given_sender_only(where: Path | URL) -> None:
    store = Store(where)
    for k in range(5):
        store.commit(StepRecord(NOW + k, rejects=[bad(str(k))]))
    alike = [
        Reject(topic, b"", "bad_value", "another")
        for topic in (TOPIC.replace("HB-01", "HB_01"), TOPIC.replace("HB-01", "hb-01"), f"x{TOPIC[12:]}")
    ]
    store.commit(StepRecord(NOW + 6, rejects=alike))
    late = Reject("/".join(KEY), b"", "late", "rows", KEY, 3)
    store.commit(StepRecord(NOW + 7, rejects=[late]))
    with store.read() as connection:
        got = examples(connection, "fennick-hollow/HB-01", 3)
        assert [one.detail for one in got] == ["rows", "4", "3"]
        assert examples(connection, "fennick-hollow/%", 3) == []
        assert [one.detail for one in examples(connection, alike[2].topic, 3)] == ["another"]
    store.close()


def test_old_problems_are_removed_with_old_rejects(where: Path | URL) -> None:
    store = Store(where)
    store.commit(StepRecord(NOW, rejects=[bad("old", reason="not_json"), bad("kept")]))
    store.commit(StepRecord(NOW + 10 * DAY, rejects=[bad("new")]))
    keeper = Retention(store, Settings(rejects_days=5), lambda: 0)
    for _ in range(20):
        keeper.tick(NOW + 11 * DAY)
    assert [(one.reason, one.count) for one in found(store)] == [("bad_value", 2)]
    store.close()


def test_control_characters_in_stored_text_are_escaped_when_shown(where: Path | URL) -> None:
    store = Store(where)
    hostile = "\0\x1b[31m\u202e\ud800<script>\n" * 200
    store.commit(
        StepRecord(
            NOW,
            rejects=[Reject(hostile, b"\0\xff\x1b" * 1_000_000, "topic", hostile)],
            feed=[FeedCount(KEY, "unknown_key", 1, hostile, hostile)],
        )
    )
    for one in found(store):
        shown = one.json()
        assert all(value.isprintable() for value in shown.values() if isinstance(value, str))
        assert len(str(shown)) < 5000
        with store.read() as connection:
            assert len(examples(connection, one.sender, 5)) <= 1
    store.close()


@given(st.binary(max_size=400), st.text(max_size=400))
def test_shown_text_is_one_bounded_printable_line(payload: bytes, text: str) -> None:
    for shown, limit in ((readable(payload), 200), (printable(text, 100), 100)):
        assert shown.isprintable()
        assert len(shown) <= limit + 1


def test_the_migration_fills_problems_from_kept_rejects(tmp_path: Path) -> None:
    path = tmp_path / "watch.db"
    first_release(path)
    rows = [(10 + k, TOPIC, b"\xff%d" % k, "bad_value", f"detail {k}", NOW + k * DAY) for k in range(3)] + [
        (20, "/".join(KEY), b"", "late", "rows", NOW)
    ]
    with closing(sqlite3.connect(path)) as old, old:
        old.executemany("INSERT INTO rejects VALUES (?, ?, ?, ?, ?, ?)", rows)
    store = Store(path)
    by_reason = {one.reason: one for one in found(store, NOW + 2 * DAY)}
    assert {reason: one.sender for reason, one in by_reason.items()} == {
        "bad_json": "t",
        "bad_value": "fennick-hollow/HB-01",
        "late": "fennick-hollow/HB-01",
    }
    one = by_reason["bad_value"]
    assert (one.count, one.recent, one.detail, one.payload) == (3, 2, "detail 0", b"\xff0")
    assert (one.first, one.last) == (NOW, NOW + 2 * DAY)
    store.commit(StepRecord(NOW + 2 * DAY, rejects=[bad("more")]))
    assert next(each for each in found(store) if each.reason == "bad_value").count == 4
    store.close()


@pytest.mark.parametrize("name", ["op-14"])
def test_an_operator_named_in_a_key_or_a_value_can_be_erased(
    where: Path | URL, tmp_path: Path, name: str
) -> None:
    from strikewatch.storage.privacy import erase

    store = Store(where)
    feed = [FeedCount(KEY, "unknown_key", 2, name, f"unknown key `{name}`")]
    store.commit(StepRecord(NOW, rejects=[bad(f'got "{name}"', name.encode())], feed=feed))
    erase(store, tmp_path, name, apply=True)
    assert name not in str([one.json() for one in found(store)])
    assert sum(one.count for one in found(store)) == 3
    store.close()
