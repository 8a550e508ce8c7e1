"""The nodes of Sparkplug sources survive a restart, and change with the step that took their messages."""

from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import URL

from strikewatch.sources.decode.sparkplug import LAYOUT, NodeId, Nodes, nodes
from strikewatch.storage.commit.sparkplug_nodes import restore_nodes
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from tests.sources.sparkplug import DOUBLE, metric, payload
from tests.sources.test_sparkplug import NODE, RECEIVED, Feed, levels, values
from tests.storage.test_store import NOW, query


def commit(store: Store, feed: Feed, source: str = "edge") -> None:
    store.commit(StepRecord(NOW, nodes={source: feed.nodes.take_changes()}))


def restored(store: Store, source: str = "edge") -> Nodes:
    found = Nodes()
    with store.read() as connection:
        restore_nodes(connection, source, found)
    return found


def test_aliases_and_the_sequence_survive_a_restart(where: Path | URL) -> None:
    feed = Feed().born()
    with closing(Store(where)) as store:
        commit(store, feed)
        for _ in range(3):
            feed.data(metric(1.5, DOUBLE, alias=11))
            commit(store, feed)
    with closing(Store(where)) as store:
        feed.nodes = restored(store)
        assert len(restored(store, "another")) == 0
        found = feed.data(metric(2.5, DOUBLE, alias=11))
        assert (values(found), found.requests) == ({"Hyd/Supply kPa": 2.5}, [])
        commit(store, feed)
        assert query(store, "select source, group_id, node_id, layout from sparkplug_nodes") == [
            ("edge", "Fennick Hollow", "Edge 1", LAYOUT)
        ]


def test_messages_lost_while_away_are_a_gap(where: Path | URL) -> None:
    """A birth may be among them: the alias is not trusted, and the births are asked for."""
    feed = Feed().born()
    with closing(Store(where)) as store:
        commit(store, feed)
        feed.nodes = restored(store)
        feed.next()
        found = feed.data(metric(2.5, DOUBLE, alias=11))
        assert (values(found), found.requests) == ({}, [NODE])


def test_nodes_that_are_no_longer_kept_are_removed(
    where: Path | URL, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(nodes, "MAX_NODES", 1)
    feed = Feed()
    with closing(Store(where)) as store:
        for name in ("first", "second \u00e9\U0001f6a7"):
            feed.nodes.take(levels("NDATA", node=NodeId("spBv1.0", "g", name)), payload((), 0), RECEIVED)
            commit(store, feed)
        assert query(store, "select node_id from sparkplug_nodes") == [("second \u00e9\U0001f6a7",)]
