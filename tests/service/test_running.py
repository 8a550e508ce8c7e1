"""A whole processor as its supervisor sees it: pings, health under a stopped broker, and a stop within seconds."""

import http.client
import json
import os
import signal
import socket
import time
from pathlib import Path
from typing import Any

import pytest

from tests.broker import Broker, free_port
from tests.service.processor import Processor, until


def ask(port: int, path: str) -> tuple[int, Any]:
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    try:
        line.request("GET", path)
        got = line.getresponse()
        return got.status, json.loads(got.read())
    finally:
        line.close()


def test_health_follows_the_broker_and_pings_stop_with_the_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    port = free_port()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line, Broker(tmp_path) as broker:
        line.bind(str(tmp_path / "notify"))
        line.settimeout(30)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        processor = Processor(tmp_path / "one", broker, http={"enabled": True, "port": port})
        try:
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
        finally:
            processor.end()
        line.setblocking(False)
        said = []
        while True:
            try:
                said.append(line.recv(100))
            except BlockingIOError:
                break
        assert said[-1] == b"STOPPING=1"


def test_a_worker_that_stands_gets_no_more_pings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The whole process halted by SIGSTOP stands for a worker that hangs: what pings is the worker's own thread."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line, Broker(tmp_path) as broker:
        line.bind(str(tmp_path / "notify"))
        line.settimeout(30)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        processor = Processor(tmp_path / "one", broker)
        try:
            processor.start()
            assert [line.recv(100), line.recv(100), line.recv(100)] == [
                b"READY=1",
                b"WATCHDOG=1",
                b"WATCHDOG=1",
            ]
            process = processor._process
            assert process is not None
            os.kill(process.pid, signal.SIGSTOP)
            time.sleep(0.2)
            line.setblocking(False)
            try:
                while True:
                    line.recv(100)
            except BlockingIOError:
                line.settimeout(3)
            with pytest.raises(TimeoutError):
                line.recv(100)
            os.kill(process.pid, signal.SIGCONT)
            assert line.recv(100) == b"WATCHDOG=1"
        finally:
            processor.end()
