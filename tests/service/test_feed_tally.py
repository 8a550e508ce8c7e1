"""Through the worker into the database: who sent what could not be used, counted, and at what cost."""

import json
from pathlib import Path

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.service.feed_tally import MAX_KEYS, MAX_NAMED, WRITE_EVERY_NS, FeedTally
from strikewatch.service.worker import Worker
from strikewatch.sources.decode import events
from strikewatch.sources.decode.samples import MAX_DETAILS
from strikewatch.sources.mqtt import Message
from strikewatch.storage.actions.feed_problems import search
from strikewatch.storage.commit.store import Store
from tests.service.bench import GivenMessages, work_off, worker_of

NOW = 1_772_608_800 * SECOND
KEY = ("fennick-hollow", "HB-01")
TOPIC = "strikewatch/fennick-hollow/HB-01/samples"


def work(store: Store, payloads: list[bytes], each: int = 1) -> Worker:
    """Process the payloads, `each` messages a step."""
    source = GivenMessages([Message(TOPIC, payload, NOW, 0, 1, 1, False) for payload in payloads], each)
    return work_off(worker_of(store, source, lambda: NOW, lambda: SECOND))


def row(second: float, **more: object) -> bytes:
    return json.dumps({"time": instant.text(NOW + round(second * SECOND)), "active": True, **more}).encode()


def counted(store: Store) -> dict[tuple[str, str], int]:
    with store.read() as connection:
        return {(one.reason, one.key): one.count for one in search(connection, NOW)}


def test_unused_data_is_counted_by_the_hammer_that_sent_it(tmp_path: Path) -> None:
    store = Store(tmp_path / "watch.db")
    payloads = [
        row(0),
        row(1),
        row(1),
        b"\xff",
        row(2, pressure_bar="142"),
        row(3, presure_bar=1),
        row(-9),
        row(4),
    ]
    work(store, payloads)
    assert counted(store) == {
        ("duplicate", ""): 1,
        ("not_json", ""): 1,
        ("bad_value", ""): 1,
        ("unknown_key", "presure_bar"): 1,
        ("late", ""): 1,
    }
    with store.read() as connection:
        every = search(connection, NOW)
    assert {one.sender for one in every} == {"fennick-hollow/HB-01"}
    (quoted,) = [one.detail for one in every if one.reason == "bad_value"]
    assert quoted == 'pressure_bar: must be a number, not a string or a boolean; got "142"'
    (key,) = [one.detail for one in every if one.reason == "unknown_key"]
    assert key == "unknown key `presure_bar`; did you mean `pressure_bar`?"
    store.close()


def test_an_unknown_key_of_an_event_is_compared_with_the_keys_of_that_event() -> None:
    tally = FeedTally()
    tally.unknown(KEY, ("stroke", "pressure_barr"), events.FIELDS["grease"])
    assert [one.detail for one in tally.take(0)] == [
        "unknown key `stroke`; did you mean `strokes`?",
        "unknown key `pressure_barr`; it is not used",
    ]


def test_a_message_with_many_mistakes_keeps_few_examples_and_counts_all(tmp_path: Path) -> None:
    """Otherwise it would displace the kept examples of all other senders."""
    store = Store(tmp_path / "watch.db", rejects_kept=100)
    broken = [{"time": "soon"}] * 5000 + [{}] * 2
    made = work(store, [b"\xff", json.dumps(broken).encode()])
    assert counted(store) == {("bad_time", ""): 5000, ("missing", ""): 2, ("not_json", ""): 1}
    assert made.rejected == {"bad_time": 5000, "missing": 2, "not_json": 1}
    with store.read() as connection:
        kept = connection.exec_driver_sql("select reason, count(*) from rejects group by reason").all()
        tally = connection.exec_driver_sql("select reason, n from reject_counts").all()
    assert dict(tuple(one) for one in kept) == {
        "bad_time": MAX_DETAILS,
        "missing": 2,
        "not_json": 1,
    }
    assert dict(tuple(one) for one in tally) == made.rejected
    store.close()


def test_unknown_keys_are_all_counted_and_a_bounded_number_is_named(tmp_path: Path) -> None:
    store = Store(tmp_path / "watch.db")
    work(store, [row(k / 10, **{f"made_up_{k}": 1}) for k in range(300)], each=300)
    found = counted(store)
    assert len(found) == MAX_KEYS + 1
    assert sum(found.values()) == 300
    assert found["unknown_key", ""] == 300 - MAX_KEYS
    store.close()


def test_counts_of_a_repeated_key_are_written_at_once_and_then_at_intervals() -> None:
    tally = FeedTally()
    written = []
    for k in range(100):
        tally.unknown(KEY, ("gateway_id",))
        written += [(k, one.n) for one in tally.take(k * SECOND)]
    steps = WRITE_EVERY_NS // SECOND
    assert written[0] == (0, 1)
    assert [k for k, _ in written] == list(range(0, 100, steps))
    assert sum(n for _, n in written) == 91


def test_unknown_keys_of_many_hammers_are_all_counted_and_a_bounded_number_is_named() -> None:
    """A sender that invents hammers, too, causes at most this many names, log lines and rows."""
    tally = FeedTally()
    for n in range(400):
        tally.unknown(("fennick-hollow", f"HB-{n}"), [f"made_up_{n}_{k}" for k in range(MAX_KEYS)])
    found = tally.take(0)
    assert sum(one.n for one in found) == 400 * MAX_KEYS
    assert sum(one.name != "" for one in found) == MAX_NAMED
    assert len(found) <= MAX_NAMED + 400
