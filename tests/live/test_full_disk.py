"""A disk that fills up under the running processor, and is freed again: nothing is lost, and it goes on by itself."""

import time
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from strikewatch.model import instant
from strikewatch.model.instant import SECOND
from tests.broker import Broker
from tests.disk import SmallDisk
from tests.live.processor import Gateway, Processor, now_ns, until
from tests.live.test_live import fire, rest


@pytest.mark.parametrize("reserve_mib", [0.0, 1.0])
def test_a_full_disk_is_said_holds_back_acknowledgements_and_costs_nothing(
    tmp_path: Path, reserve_mib: float
) -> None:
    folder = tmp_path / "processor"
    with SmallDisk(tmp_path / "disk", mib=24) as disk, Broker(tmp_path / "broker") as broker:
        folder.mkdir()
        (folder / "strikewatch.db").symlink_to(disk.folder / "watch.db")
        store = {"path": str(disk.folder / "watch.db"), "reserve_mib": reserve_mib}
        recording = {"folder": str(disk.folder / "recordings")}
        processor = Processor(folder, broker, store=store, recording=recording).start()
        gateway = Gateway(broker)
        start = now_ns() - 3600 * SECOND
        try:
            rest(gateway, "HB-03", start, 0, 5)
            processor.worked_through("HB-03", start + 4 * SECOND)
            disk.fill()
            sent = 5
            while not processor.lines("commit_refused"):
                rest(gateway, "HB-03", start, sent, sent + 1)
                gateway.settle()
                sent += 1
                time.sleep(0.02)
            assert bool(processor.lines("disk_full")) == bool(reserve_mib)
            fire(gateway, "HB-03", start, sent, sent + 20)
            rest(gateway, "HB-03", start, sent + 20, sent + 30)
            gateway.settle()
            assert processor.alerts() == []
            disk.free()
            (only,) = until(lambda: [one for one in processor.alerts() if one["cleared"]])
            assert only["onset"] == instant.text(start + (sent + 15) * SECOND)
            assert processor.lines("commit_taken")
            assert processor.stop() == 0
            tables = [pq.read_table(path) for path in disk.folder.glob("recordings/*/*/samples.parquet")]
            times = [at for table in tables for at in table["time"].cast("int64").to_pylist()]
            assert len(times) == len(set(times)) == (sent + 30) * 10
        finally:
            processor.end()
            gateway.close()
