"""A whole processor as its supervisor sees it: pings, health under a stopped broker, and a stop within seconds."""

import contextlib
import gc
import http.client
import json
import re
import socket
import sqlite3
import time
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from strikewatch.core.instant import SECOND
from strikewatch.service import run
from strikewatch.service.status import PING_EVERY_S
from strikewatch.settings.tree import Settings
from tests.broker import Broker, free_port
from tests.service.processor import Gateway, Processor, now_ns, until


def ask(port: int, path: str) -> tuple[int, Any]:
    with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=60)) as line:
        line.request("GET", path)
        got = line.getresponse()
        return got.status, json.loads(got.read())


def test_health_reflects_the_broker_and_watchdog_pings_stop_with_the_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    port = free_port()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line, Broker(tmp_path) as broker:
        line.bind(str(tmp_path / "notify"))
        line.settimeout(30)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        with Processor(tmp_path / "one", broker, http={"enabled": True, "port": port}) as processor:
            processor.start()
            assert line.recv(100) == b"READY=1"
            until(lambda: ask(port, "/readyz") == (200, {"ready": True, "reasons": []}))
            broker.stop()
            until(lambda: ask(port, "/readyz")[1]["reasons"] == ["the broker is not connected"])
            assert ask(port, "/healthz") == (200, {"alive": True})
            broker.start()
            until(lambda: ask(port, "/readyz")[0] == 200)
            assert line.recv(100) == b"WATCHDOG=1"
            assert processor.stop() == 0
        line.setblocking(False)
        said = []
        while True:
            try:
                said.append(line.recv(100))
            except BlockingIOError:
                break
        assert said[-1] == b"STOPPING=1"


def test_a_worker_that_hangs_sends_no_watchdog_pings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its commit waits for a lock of the database until it is refused. The other threads go on meanwhile."""
    port = free_port()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line, Broker(tmp_path) as broker:
        line.bind(str(tmp_path / "notify"))
        line.settimeout(0.1)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        processor = Processor(tmp_path / "one", broker, http={"enabled": True, "port": port})
        gateway = Gateway(broker)
        pinged_s = list[float]()

        def pinged() -> bool:
            with contextlib.suppress(TimeoutError):
                while True:
                    if line.recv(100) == b"WATCHDOG=1":
                        pinged_s.append(time.monotonic())
            return bool(pinged_s)

        with processor, gateway:
            processor.start()
            until(pinged)
            with closing(sqlite3.connect(tmp_path / "one" / "strikewatch.db", isolation_level=None)) as other:
                other.execute("BEGIN IMMEDIATE")
                gateway.block("HB-01", now_ns(), 0.1, active=[True] * 5)
                until(lambda: pinged() and processor.lines("commit_refused"))
                assert ask(port, "/healthz")[0] == 200
                other.execute("ROLLBACK")
            count = len(pinged_s)
            until(lambda: pinged() and len(pinged_s) > count)
            longest_s = max(later - before for before, later in pairwise(pinged_s))
            assert longest_s > 5 * PING_EVERY_S, "the commit waits for 10 s"


def webhook_id(line: socket.socket) -> str:
    """Return the id of the message that is being posted."""
    line.settimeout(60)
    head = b""
    while b"\r\n\r\n" not in head:
        head += line.recv(4096)
    (name,) = re.findall(rb"\r\nwebhook-id: (\S+)\r\n", head, re.IGNORECASE)
    return str(name, "ascii")


def test_an_unfinished_attempt_is_abandoned_at_a_stop_and_repeated_after_the_start(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, socket.create_server(("127.0.0.1", 0)) as deaf:
        url = f"http://127.0.0.1:{deaf.getsockname()[1]}/"
        with Processor(tmp_path / "one", broker, url) as processor, Gateway(broker) as gateway:
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
            assert processor.lines("delivery_abandoned")
            assert processor.query("select distinct state, attempts from outbox where attempts > 0") == []
            processor.start()
            held, _ = deaf.accept()
            assert webhook_id(held) == name
            held.sendall(b"HTTP/1.1 204 No Content\r\n\r\n")
            until(
                lambda: processor.query(f"select 1 from outbox where message = '{name}' and state = 'sent'")
            )
            held.close()


def test_collections_leave_out_what_the_start_has_made() -> None:
    """A full collection of it would stop all threads for a tenth of a second."""
    processor = run.Processor(Settings())
    processor.stop()
    try:
        unused: Any = None
        processor._run_worker(unused, unused, unused)
        assert gc.get_freeze_count() > 100_000
        assert len(gc.get_objects()) < 10_000
    finally:
        gc.unfreeze()
