"""Active, ended and muted alerts are found and counted alike on SQLite and PostgreSQL."""

from contextlib import closing
from pathlib import Path

from sqlalchemy import URL

from strikewatch.core.alert import Alert, Change
from strikewatch.core.instant import SECOND
from strikewatch.engine.lifecycle import ACTIVE, OPEN
from strikewatch.storage.actions.alerts import AlertActions
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.queries.active import (
    SentCounts,
    change_signature,
    count_sent,
    counts,
    ended_groups,
    list_mutes,
)
from strikewatch.storage.queries.alerts import Filter, count, search

SITE = "fennick-hollow"
NOW = 1_772_608_500 * SECOND


def test_active_ended_and_muted_alerts_are_listed_and_counted(where: Path | URL) -> None:
    with closing(Store(where)) as store:
        made = {
            name: Alert("hot_oil", SITE, hammer, "op-14", priority, NOW - ago * SECOND)
            for name, hammer, priority, ago in (
                ("new", "HB-01", "medium", 1),
                ("old", "HB-02", "high", 90),
                ("over", "HB-03", "medium", 80),
                ("shelved", "HB-04", "low", 70),
            )
        }
        made["over"].cleared = NOW
        for alert in made.values():
            raised = alert.record() | {"cleared": None}
            steps = [Change("raised", SITE, alert.hammer, alert.id, raised, alert.onset, None)]
            if alert.cleared:
                record = alert.record()
                steps.append(Change("cleared", SITE, alert.hammer, alert.id, record, alert.onset, NOW))
            for step in steps:
                store.commit(StepRecord(NOW, changes=[step], states={(SITE, alert.hammer): b"x"}, layout="l"))
        before = _changes(store)
        desk = AlertActions(store, 3600 * SECOND)
        desk.shelve(made["shelved"].id, until=NOW + SECOND, by="manager", reason="known", now=NOW)
        assert _changes(store) != before
        with store.read() as connection:
            found = search(connection, Filter(states=ACTIVE), order="gravity")
            assert [one.record["id"] for one in found] == [made[k].id for k in ("old", "new", "shelved")]
            assert count(connection, Filter(states=OPEN)) == 4
            assert counts(connection) == {
                ("unacknowledged", "high"): 1,
                ("unacknowledged", "medium"): 1,
                ("returned_unacknowledged", "medium"): 1,
                ("shelved", "low"): 1,
            }
            assert [(one.hammer, one.count, one.priority) for one in ended_groups(connection)] == [
                ("HB-03", 1, "medium")
            ]
            muted = list_mutes(connection, ("cold_oil",))
            assert [(one.kind, one.fault, one.active) for one in muted] == [
                ("shelved", "hot_oil", 1),
                ("suppressed_by_design", "cold_oil", 0),
            ]
            assert count_sent(connection, NOW - 3600 * SECOND) == SentCounts(4, 4, 0, 0, 0)
            assert count_sent(connection, NOW - 2 * SECOND) == SentCounts(1, 1, 0, 0, 0)


def _changes(store: Store) -> list[object]:
    with store.read() as connection:
        return list(change_signature(connection))
