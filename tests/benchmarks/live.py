"""(c) Live messages at QoS 1 through mosquitto, everything on, against a bare subscriber on the same broker.

The broker holds everything before a clock starts, so that no publisher is the bottleneck. Three trials each.
"""

import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from strikewatch.deliver.webhook import key_of
from strikewatch.model import instant
from strikewatch.model.instant import SECOND
from tests.benchmarks.table import Line
from tests.broker import Broker, free_port
from tests.live.processor import SECRET, Gateway, Processor, until
from tests.receiver import Receiver

TRIALS = 3
HAMMERS = 20
STEP_NS = SECOND // 10
SIZES = ((1, 20_000, ">= 0.6"), (10, 20_000, ">= 0.5"), (100, 5_000, ">= 0.4"))
"""Rows a message, messages, goal."""


def broker(folder: Path) -> Broker:
    port = free_port()
    conf = (
        f"listener {port} 127.0.0.1\nallow_anonymous true\nuser root\npersistence false\n"
        "max_inflight_messages 1000\nmax_queued_messages 2000000\nset_tcp_nodelay true\n"
        "log_type notice\nlog_dest stderr\n"
    )
    return Broker(folder, port=port, conf=conf)


def publish(to: Broker, n: int, size: int) -> None:
    """n messages of `size` rows at 10 Hz, hammer after hammer, and one event as the end mark."""
    gateway = Gateway(to, "loader", in_flight=1000)
    start = time.time_ns() - (n * size // HAMMERS + 600) * STEP_NS
    for k in range(n):
        row = k // HAMMERS * size
        sample = {"time": instant.text(start + row * STEP_NS), "oil_c": 55.5}
        values = {"active": row // 40 % 2 == 0, "pressure_bar": 140.5}
        if size > 1:
            block = {name: [value] * size for name, value in values.items()}
            gateway.send(f"HB-{k % HAMMERS:02d}", "samples", {**sample, "step_s": 0.1, **block})
        else:
            gateway.send(f"HB-{k % HAMMERS:02d}", "samples", {**sample, **values})
    gateway.event("HB-00", start, "sign_on", operator="P-01")
    gateway.settle()
    gateway.close()


def bare(to: Broker, n: int, how: str) -> float:
    command = [sys.executable, "-m", "tests.benchmarks.subscriber", str(to.port), str(n + 1), how]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout or 0)


def ours(to: Broker, one: Processor) -> float:
    """Seconds from the connection, as the broker's log has it, to the commit of the end mark."""
    ends = one.query("select count(*) from events")[0][0]
    connections = to.log.count(" as strikewatch ")
    starting = threading.Thread(target=one.start)
    starting.start()
    until(lambda: to.log.count(" as strikewatch ") > connections)
    start = time.perf_counter()
    until(lambda: one.query("select count(*) from events")[0][0] > ends)
    taken = time.perf_counter() - start
    starting.join()
    one.stop()
    return taken


def trial(n: int, size: int) -> tuple[float, float, float]:
    """Seconds of ours, of the bare subscriber and, for single instants, of the naive path."""
    with (
        tempfile.TemporaryDirectory() as name,
        broker(Path(name)) as to,
        Receiver(key_of(SECRET)) as receiver,
    ):
        one = Processor(Path(name) / "processor", to, receiver.url)
        try:
            one.start()
            one.stop()
            bare(to, n, "enrol")
            publish(to, n, size)
            taken = ours(to, one)
            floor = bare(to, n, "bare")
            if size > 1:
                return taken, floor, 0.0
            publish(to, n, size)
            return taken, floor, bare(to, n, "naive")
        finally:
            one.end()


def lines() -> list[Line]:
    found = []
    naive = 0.0
    for size, n, goal in SIZES:
        a, b, c = (
            statistics.median(taken) for taken in zip(*(trial(n, size) for _ in range(TRIALS)), strict=True)
        )
        naive = naive or n / c
        found.append(
            Line(
                f"{size} rows a message: {n / a:,.0f} messages/s (bare {n / b:,.0f})",
                "live / bare",
                b / a,
                goal,
            )
        )
    rows = n * size / a
    found.append(
        Line(f"{rows:,.0f} rows/s (naive {naive:,.0f})", "live / naive, rows", rows / naive, ">= 40")
    )
    return found
