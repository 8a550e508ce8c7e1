"""A stop does not wait for a receiver that takes its time; what was cut off is sent after the next start."""

import socket
import time
from pathlib import Path

from strikewatch.model.instant import SECOND
from tests.broker import Broker
from tests.live.processor import Gateway, Processor, now_ns, until


def test_an_attempt_under_way_is_cut_off_and_waits_for_the_next_start(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, socket.create_server(("127.0.0.1", 0)) as deaf:
        url = f"http://127.0.0.1:{deaf.getsockname()[1]}/"
        processor = Processor(tmp_path / "one", broker, url)
        gateway = Gateway(broker)
        try:
            processor.start()
            begin = now_ns() - 30 * SECOND
            gateway.block("HB-01", begin, 1.0, active=[True] * 25, oil_c=[40.0] * 25)
            gateway.settle()
            deaf.settimeout(60)
            held, _ = deaf.accept()  # the attempt is under way, and no answer will come
            began = time.monotonic()
            assert processor.stop() == 0
            took_s = time.monotonic() - began
            held.close()
            print(f"stopped after {took_s:.1f} s")
            assert processor.lines("delivery_cut_off")
            assert processor.query("select distinct state, attempts from outbox where attempts > 0") == []
            processor.start()
            held, _ = deaf.accept()
            held.close()
            until(lambda: processor.lines("delivery_failed"))
        finally:
            gateway.close()
            processor.end()
