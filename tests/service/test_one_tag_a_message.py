"""A gateway that sends each tag of a scan in a message of its own: nothing of it is lost, live and in the replay."""

import random
from pathlib import Path

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.sources.recordings import open_shifts
from tests.broker import Broker
from tests.service.processor import Gateway, Processor, now_ns
from tests.service.test_equality import replayed, told


def test_three_tags_of_one_scan_are_one_reading(tmp_path: Path) -> None:
    """Firing and hot oil, each known from its own message; disturbed in order by up to a second, a tenth sent twice."""
    dice = random.Random(5)
    start = now_ns() - 120 * SECOND
    scans = [(start + k * SECOND // 2, k >= 8 and k < 60) for k in range(80)]
    queue = []
    for at, firing in scans:
        for tag in ({"active": firing}, {"pressure_bar": 150.0 if firing else 20.0}, {"oil_c": 84.0}):
            arrival = at + dice.randrange(SECOND)
            queue.append((arrival, {"time": instant.text(at), **tag}))
            if dice.random() < 0.1:
                queue.append((arrival + SECOND // 2, queue[-1][1]))
    queue.sort(key=lambda one: one[0])
    with Broker(tmp_path / "broker") as broker:
        processor = Processor(tmp_path / "processor", broker).start()
        gateway = Gateway(broker)
        try:
            for _, payload in queue:
                gateway.send("HB-03", "samples", payload)
            gateway.settle()
            processor.settled()
            assert processor.stop() == 0
        finally:
            processor.end()
            gateway.close()
    live = processor.alerts()
    found = {one["fault"]: one for one in live}
    assert found["same_spot"]["onset"] == instant.text(scans[8][0] + 15 * SECOND)
    assert found["hot_oil"]["onset"] == instant.text(start + 5 * SECOND)
    assert [told(record) for record in replayed(processor.recordings)] == [told(record) for record in live]
    [shift] = open_shifts(processor.recordings)
    rows = [rows for _, rows in shift.pieces()]
    assert [at for part in rows for at in part.time_ns.tolist()] == [at for at, _ in scans]
    for name in ("active", "pressure_bar", "oil_c"):
        assert sum(int((part.columns[name] == part.columns[name]).sum()) for part in rows) == len(scans)
