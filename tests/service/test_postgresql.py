"""A processor on a PostgreSQL server: the only one there, and no alert is missing when the server goes away."""

from collections.abc import Callable
from pathlib import Path

import pytest

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.sinks.settings import decode_secret
from tests.broker import Broker
from tests.postgresql import Postgresql
from tests.receiver import Receiver
from tests.service.processor import SECRET, Gateway, Processor, now_ns, until
from tests.service.test_live import fire, rest


def wait_until_delivered(processor: Processor) -> None:
    """Wait until every delivery is on record; one that is not may be repeated, under the same name."""
    until(lambda: processor.query("select count(*) from outbox where state = 'waiting'") == [(0,)])


@pytest.mark.parametrize("end", [Postgresql.stop, Postgresql.kill])
def test_no_alert_is_missing_when_the_server_restarts_during_a_run(
    tmp_path: Path, end: Callable[[Postgresql], None]
) -> None:
    """The processor ends, since its lock is gone, and its service manager starts it again. Deliveries go out once."""
    with (
        Broker(tmp_path / "broker") as broker,
        Receiver(decode_secret(SECRET)) as receiver,
        Postgresql() as server,
    ):
        store = {"url": str(server.database())}
        processor = Processor(tmp_path / "one", broker, receiver.url, store=store)
        second = Processor(tmp_path / "two", broker, store=store)
        gateway = Gateway(broker)
        start = now_ns() - 100 * SECOND
        try:
            processor.start()
            assert second.start(connected=False).wait(60) == 1
            assert "in use by another strikewatch" in (second.folder / "stderr").read_text()
            fire(gateway, "HB-03", start, 0, 20)
            rest(gateway, "HB-03", start, 20, 30)
            fire(gateway, "HB-04", start, 0, 12)
            processor.wait_until_processed("HB-03", start + 29 * SECOND)
            processor.wait_until_processed("HB-04", start + 11 * SECOND)
            receiver.wait_for(2)
            wait_until_delivered(processor)
            end(server)
            fire(gateway, "HB-04", start, 12, 35)
            fire(gateway, "HB-03", start, 30, 50)
            gateway.settle()
            assert processor.wait(60) == 1
            said = (processor.folder / "stderr").read_text()
            assert "the session has ended" in said or "connection failed" in said  # which is noticed first
            server.start()
            processor.start()
            rest(gateway, "HB-03", start, 50, 60)
            rest(gateway, "HB-04", start, 35, 60)
            processor.wait_until_processed("HB-03", start + 59 * SECOND)
            processor.wait_until_processed("HB-04", start + 59 * SECOND)
            wait_until_delivered(processor)
            found = [(one["hammer"], one["onset"], one["cleared"]) for one in processor.alerts()]
            wanted = [("HB-03", 15, 20), ("HB-04", 15, 35), ("HB-03", 45, 50)]
            assert found == [
                (name, instant.text(start + onset * SECOND), instant.text(start + cleared * SECOND))
                for name, onset, cleared in wanted
            ]
            assert processor.stop() == 0
            names = [one.name for one in receiver.received]
            assert len(names) == len(set(names)) == 7
        finally:
            for one in (processor, second):
                one.end()
            gateway.close()
