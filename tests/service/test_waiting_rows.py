"""Rows that wait for others out of order are committed when they are released, whatever else happens then."""

import json
from pathlib import Path

from sqlalchemy import select

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.service.worker import Worker
from strikewatch.settings.tree import Settings
from strikewatch.sources.mqtt import Message
from strikewatch.storage.commit import spool
from strikewatch.storage.commit.store import Store
from strikewatch.storage.schema.tables import arrived
from tests.service.bench import GivenMessages
from tests.service.test_admission import RECEIVED


def test_a_row_after_a_gap_is_recorded_though_no_message_follows(tmp_path: Path) -> None:
    """Nothing else happens on the site when it is released."""
    now = 0
    source = GivenMessages()
    store = Store(tmp_path / "watch.db")
    worker = Worker(
        Settings(),
        store,
        source,
        wall=lambda: RECEIVED + now,
        monotonic=lambda: now,
        alerts_changed=lambda: None,
        wait=lambda _s: True,
    )
    times = [RECEIVED + at_s * SECOND for at_s in (0, 1, 2, 3, 10)]
    for at in times:
        now = at - RECEIVED
        payload = json.dumps({"time": instant.text(at), "active": False, "oil_c": 50}).encode()
        topic = "strikewatch/fennick-hollow/HB-02/samples"
        source.coming.append(Message(topic, payload, at, 0, 1, 1, redelivered=False))
        worker.turn(0.0)
    for _ in range(5):
        now += SECOND
        worker.turn(0.0)
    with store.read() as connection:
        blobs = connection.scalars(select(arrived.c.rows).order_by(arrived.c.seq)).all()
    store.close()
    assert [
        at for blob in blobs for _, rows in spool.decode(blob)[0] for at in rows.time_ns.tolist()
    ] == times
