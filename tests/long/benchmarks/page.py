"""(h) The page, with 50 hammers at 10 Hz: from a sample published to the stream and to the screen of a real browser,
what that costs the browser, and what 500 readers cost the processor."""

import asyncio
import os
import tempfile
import threading
import time
from pathlib import Path

from tests.broker import Broker, free_port
from tests.long.benchmarks.pixels import Published, measure_display_delays, oil_c
from tests.long.benchmarks.table import Line
from tests.service.processor import SITE, FreshProcessor, Gateway, until

HAMMERS = 50
PER_S = 10
SECONDS = 20
READERS = 500
_TICK = os.sysconf("SC_CLK_TCK")


class Feed:
    """Singles of every hammer, ten a second each; when each hammer's samples were published."""

    def __init__(self, broker: Broker) -> None:
        self._gateway = Gateway(broker, in_flight=1000)
        self.published: Published = {f"{SITE}/HB-{k + 1:02d}": [] for k in range(HAMMERS)}
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> "Feed":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopping.set()
        self._thread.join()
        self._gateway.close()

    def _run(self) -> None:
        due = time.time()
        while not self._stopping.is_set():
            for key, times in self.published.items():
                at_ms, oil = int(time.time() * 1000), oil_c(len(times))
                sample = {"time_ms": at_ms, "active": True, "pressure_bar": 140.0, "oil_c": oil}
                times.append(at_ms)
                self._gateway.send(key.partition("/")[2], "samples", sample)
            due += 1 / PER_S
            self._stopping.wait(max(0.0, due - time.time()))


async def _read(port: int, seconds: float) -> None:
    """Follow the stream."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=1 << 24)
    writer.write(b"GET /stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        await asyncio.wait_for(reader.readline(), 10)
    writer.close()


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / _TICK


def lines() -> list[Line]:
    with tempfile.TemporaryDirectory() as name, Broker(Path(name) / "broker") as broker:
        port = free_port()
        http = {"enabled": True, "port": port}
        with (
            FreshProcessor(Path(name) / "processor", broker, http=http).start() as processor,
            Feed(broker) as feed,
        ):
            until(lambda: processor.query(f"select 1 from hammer_state where hammer = 'HB-{HAMMERS}'"))
            time.sleep(3)
            bare_s = _cost(processor, [_read(port, SECONDS)])
            read_s = _cost(processor, [_read(port, SECONDS) for _ in range(READERS)])
            on_screen = measure_display_delays(f"http://127.0.0.1:{port}/", feed.published, SECONDS)
    return [
        Line(
            f"{READERS} pages open: {100 * (read_s - bare_s):.0f} % of a core more than one page",
            "of a core",
            read_s - bare_s,
            "< 0.5",
        ),
        *on_screen,
    ]


def _cost(processor: FreshProcessor, readers: list[object]) -> float:
    """Return the cores that the processor uses while the readers read."""

    async def all_of_them() -> None:
        await asyncio.gather(*readers)  # type: ignore[call-overload]

    pid = processor.pid
    before, began = _cpu_s(pid), time.monotonic()
    asyncio.run(all_of_them())
    return (_cpu_s(pid) - before) / (time.monotonic() - began)
