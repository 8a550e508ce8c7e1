"""systemd is told that the processor turns, and no longer once it does not."""

import socket
from pathlib import Path

import pytest

from strikewatch.service.status import SystemdNotifier


def test_pings_come_with_turns_and_stop_with_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now = [100.0]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind(str(tmp_path / "notify"))
        line.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))

        def heard() -> list[bytes]:
            found = []
            while True:
                try:
                    found.append(line.recv(100))
                except BlockingIOError:
                    return found

        supervisor = SystemdNotifier(lambda: now[0])
        assert heard() == []
        supervisor.alive()
        assert heard() == [b"READY=1", b"WATCHDOG=1"]
        supervisor.alive()
        assert heard() == []
        now[0] += 1.0
        supervisor.alive()
        assert heard() == [b"WATCHDOG=1"]
        now[0] += 60.0  # the worker stands
        assert heard() == []
        supervisor.stopping()
        assert heard() == [b"STOPPING=1"]
