"""A stop does not wait for a receiver that takes its time; what was cut off goes by its name after the next start."""

import re
import socket
import time
from pathlib import Path

from strikewatch.core.instant import SECOND
from tests.broker import Broker
from tests.service.processor import Gateway, Processor, now_ns, until


def webhook_id(line: socket.socket) -> str:
    """Of the message that is being posted."""
    line.settimeout(60)
    head = b""
    while b"\r\n\r\n" not in head:
        head += line.recv(4096)
    (name,) = re.findall(rb"\r\nwebhook-id: (\S+)\r\n", head, re.IGNORECASE)
    return str(name, "ascii")


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
            name = webhook_id(held)
            held.close()
            print(f"stopped after {took_s:.1f} s")
            assert processor.lines("delivery_cut_off")
            assert processor.query("select distinct state, attempts from outbox where attempts > 0") == []
            processor.start()
            held, _ = deaf.accept()
            assert webhook_id(held) == name
            held.sendall(b"HTTP/1.1 204 No Content\r\n\r\n")
            until(
                lambda: processor.query(f"select 1 from outbox where message = '{name}' and state = 'sent'")
            )
            held.close()
        finally:
            gateway.close()
            processor.end()
