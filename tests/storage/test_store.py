"""A step is stored completely or not at all, and storing it again changes nothing. On real databases."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import URL, text

from strikewatch.core.alert import Alert, Change, Step
from strikewatch.core.batch import Rows
from strikewatch.core.events import Event
from strikewatch.errors import StoreError, Unstorable
from strikewatch.storage.actions import rows
from strikewatch.storage.commit import spool
from strikewatch.storage.commit.step import Reject, SavedAlert, StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import Outbox
from strikewatch.storage.outbox.outcomes import Outcome

NOW = 1_772_608_500_000_000_000
KEY = ("pit", "HB-01")


@pytest.fixture
def store(where: Path | URL) -> Iterator[Store]:
    store = Store(where, {"bench": "http://bench.test/", "office": "http://office.test/"})
    yield store
    store.close()


def change(
    step: Step = "raised",
    onset: int = NOW,
    cleared: int | None = None,
    site: str = "pit",
    summary: str = "",
    **flags: bool,
) -> Change:
    alert = Alert("same_spot", site, "HB-01", None, "medium", onset, cleared, describe=lambda: ({}, summary))
    return Change(step, site, "HB-01", alert.id, alert.record(), onset, cleared, **flags)


def query(store: Store, sql: str) -> list[tuple[Any, ...]]:
    with store.read() as connection:
        return [tuple(row) for row in connection.execute(text(sql))]


def test_a_committed_step_is_loaded_completely(store: Store) -> None:
    rows = [(KEY, Rows(np.array([NOW]), {"oil_c": np.array([60.5])}))]
    arrived = Event(*KEY, "sign_on", NOW, {"operator": "op-14"})
    raised = change()
    store.commit(
        StepRecord(
            NOW, rows, [arrived], changes=[raised], states={KEY: b"\x00\xff" * 9}, layout="reading/1:18"
        )
    )
    saved = store.load()
    assert saved.states == {KEY: ("reading/1:18", b"\x00\xff" * 9)}
    assert saved.alerts == [SavedAlert(raised.record, NOW, None, False)]
    assert saved.events == [arrived]
    ((blob,),) = query(store, "select rows from arrived")
    assert spool.decode(blob)[0][0][1].columns["oil_c"].tolist() == [60.5]


def test_saved_states_are_replaced_by_hammer(store: Store) -> None:
    store.commit(StepRecord(NOW, states={KEY: b"a", ("pit", "HB-02"): b"b"}, layout="old"))
    store.commit(StepRecord(NOW, states={KEY: b"c"}, layout="new"))
    assert store.load().states == {KEY: ("new", b"c"), ("pit", "HB-02"): ("old", b"b")}


def test_a_redelivered_event_changes_nothing_and_takes_effect_once(store: Store) -> None:
    event = Event(*KEY, "grease", NOW, {"strokes": [12, 12], "method": "manual"})
    again = Event(*KEY, "grease", NOW, {"method": "manual", "strokes": [12, 12]})
    other = Event(*KEY, "grease", NOW, {"strokes": [12, 11], "method": "manual"})
    store.commit(StepRecord(NOW, events=[event]))
    store.commit(StepRecord(NOW + 1, events=[again, other]))
    assert store.load().events == [event, other]
    store.commit(StepRecord(NOW + 2, applied=[Event(*KEY, "grease", NOW, event.fields, applied=NOW + 5)]))
    store.commit(StepRecord(NOW + 3, events=[again]))
    assert store.load().events == [other]
    assert query(store, "select applied_ns, received_ns from events order by seq") == [
        (NOW + 5, NOW),
        (None, NOW + 1),
    ]


def test_an_event_may_arrive_and_take_effect_in_one_step(store: Store) -> None:
    event = Event(*KEY, "check", NOW, {"result": "ok"})
    done = Event(*KEY, "check", NOW, {"result": "ok"}, applied=NOW)
    store.commit(StepRecord(NOW, events=[event], applied=[done]))
    assert store.load().events == []
    assert query(store, "select count(*), max(applied_ns) from events") == [(1, NOW)]


def test_an_alert_is_stored_in_its_last_state_and_queued_once_per_step(store: Store) -> None:
    raised, cleared = change(), change("cleared", cleared=NOW + 10**9)
    store.commit(StepRecord(NOW, changes=[raised]))
    store.commit(StepRecord(NOW + 1, changes=[raised, cleared]))
    store.commit(StepRecord(NOW + 2, changes=[cleared]))
    assert store.load().alerts == []
    assert query(store, "select onset_ns, cleared_ns, first_seen_ns, updated_ns from alerts") == [
        (NOW, NOW + 10**9, NOW, NOW + 2)
    ]
    assert query(store, "select endpoint, step, created_ns from outbox order by seq") == [
        ("bench", "raised", NOW),
        ("office", "raised", NOW),
        ("bench", "cleared", NOW + 1),
        ("office", "cleared", NOW + 1),
    ]


def test_an_alert_with_a_changed_record_is_queued_again(store: Store) -> None:
    store.commit(StepRecord(NOW, changes=[change(summary="15 s in one spot")]))
    store.commit(StepRecord(NOW, changes=[change(summary="15.1 s in one spot")]))
    assert query(store, "select count(*) from outbox where endpoint = 'bench'") == [(2,)]


def test_two_sites_may_have_hammers_of_the_same_name(store: Store) -> None:
    store.commit(StepRecord(NOW, changes=[change(site="pit"), change(site="quay")]))
    assert [one.record["site"] for one in store.load().alerts] == ["pit", "quay"]
    assert query(store, "select count(*) from outbox where endpoint = 'bench'") == [(2,)]


def test_open_alerts_are_loaded_in_onset_order(store: Store) -> None:
    """Instants are exact to the nanosecond, unlike those in the records."""
    late, early = change(onset=NOW + 6_001), change(onset=NOW + 5_999)
    store.commit(StepRecord(NOW, changes=[late, early]))
    assert [one.onset for one in store.load().alerts] == [NOW + 5_999, NOW + 6_001]


def test_a_cleared_provisional_alert_is_loaded_and_its_confirmation_is_not_sent(store: Store) -> None:
    ahead = change("cleared", cleared=NOW + 3, provisional=2)
    store.commit(StepRecord(NOW, changes=[change(), ahead]))
    assert store.load().alerts == [SavedAlert(ahead.record, NOW, NOW + 3, 2)]
    store.commit(StepRecord(NOW, changes=[change("cleared", cleared=NOW + 3, summary="sure", deliver=False)]))
    assert store.load().alerts == []
    assert query(store, "select step from outbox where endpoint = 'bench' order by seq") == [
        ("raised",),
        ("cleared",),
    ]


def test_all_rejects_are_counted_and_a_bounded_number_is_kept(where: Path | URL) -> None:
    store = Store(where, rejects_kept=5)
    for k in range(4):
        rejects = [Reject("t", b"%d.%d" % (k, i), "bad_json", "line 1") for i in range(3)]
        store.commit(StepRecord(NOW + k, rejects=rejects, counts={"duplicate": 2}))
    kept = query(store, "select payload, received_ns from rejects order by seq")
    assert kept == [
        (b"2.1", NOW + 2),
        (b"2.2", NOW + 2),
        (b"3.0", NOW + 3),
        (b"3.1", NOW + 3),
        (b"3.2", NOW + 3),
    ]
    flood = [Reject("t", b"x" * 10_000, "too_long", f"{i}") for i in range(50)]
    store.commit(StepRecord(NOW + 9, rejects=flood))
    assert query(store, "select detail, length(payload) from rejects order by seq") == [
        (f"{i}", 4096) for i in range(45, 50)
    ]
    assert dict(query(store, "select reason, n from reject_counts")) == {
        "bad_json": 12,
        "duplicate": 8,
        "too_long": 50,
    }
    store.close()


def test_deferred_outcomes_are_written_once_with_the_next_step(store: Store) -> None:
    store.commit(StepRecord(NOW, changes=[change()]))
    outbox = Outbox(store, "bench")
    (message,) = outbox.waiting()
    outbox.record_outcomes([Outcome(message.seq, "sent", 1, NOW, "HTTP 200", NOW + 1)])
    assert outbox.counts() == {"waiting": 1}
    store.commit(StepRecord(NOW))
    assert outbox.counts() == {"sent": 1}
    with store.write() as connection:
        connection.execute(text("update outbox set state = 'parked'"))
    store.commit(StepRecord(NOW))
    assert outbox.counts() == {"parked": 1}


def test_data_that_the_database_cannot_hold_is_refused_as_such_and_other_data_is_stored(store: Store) -> None:
    with pytest.raises(Unstorable, match="refuses this data"):
        store.commit(StepRecord(NOW, events=[Event(*KEY, "sign_on", None, {})]))  # type: ignore[arg-type]
    store.commit(StepRecord(NOW, events=[Event(*KEY, "sign_off", NOW, {})]))
    assert query(store, "select kind from events") == [("sign_off",)]


def test_a_second_processor_is_refused_until_the_first_has_ended(where: Path | URL) -> None:
    first = Store(where)
    with pytest.raises(StoreError, match="in use by another"):
        Store(where)
    first.close()
    Store(where).close()


def test_a_new_address_switches_an_endpoint_on_again(where: Path | URL) -> None:
    store = Store(where, {"bench": "http://a.test/"})
    with store.write() as connection:
        connection.execute(text("update endpoints set off_ns = 1, reason = 'gone'"))
    store.close()
    again = Store(where, {"bench": "http://a.test/"})
    assert again.switched_off == {"bench": "gone"}
    again.commit(StepRecord(NOW, changes=[change()]))
    assert query(again, "select state, last_outcome from outbox") == [("parked", "gone")]
    again.close()
    moved = Store(where, {"bench": "http://b.test/"})
    assert moved.switched_off == {}
    moved.close()


@pytest.mark.parametrize("n", [0, 1, 256, 257, 600])
def test_a_list_query_of_any_length_finds_each_row_once(store: Store, n: int) -> None:
    """Lists longer than one query holds, and padded queries, are included."""
    alerts = [change(onset=NOW + 1000 * k, site="pit" if k % 2 else "quarry") for k in range(n + 3)]
    store.commit(StepRecord(NOW, changes=alerts))
    asked = {(one.site, one.alert_id) for one in alerts[:n]}
    with store.read() as connection:
        assert rows.load(connection, asked)[0].keys() == asked
        assert rows.load(connection, {("pit", "none")})[0] == {}
