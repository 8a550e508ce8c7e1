"""A test bench with a running dispatcher: a real database, movable clocks, and changes of alerts."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import text

from strikewatch.core.alert import Alert, Change, Step
from strikewatch.core.instant import SECOND
from strikewatch.engine.flood import Settings as Alarms
from strikewatch.sinks.dispatcher import Dispatcher
from strikewatch.sinks.settings import WebhookSettings, decode_secret
from strikewatch.sinks.webhook import webhook_endpoint
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from tests.receiver import Receiver
from tests.waiting import until

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
KEY = decode_secret(SECRET)
LOOPBACK = ("127.0.0.0/8",)
START = 1_772_608_500_000_000_000


class Clock:
    """Wall and monotonic clocks that stand still until advanced."""

    def __init__(self) -> None:
        self.now = START
        self.steady = 77 * SECOND
        self.reads = 0

    def wall(self) -> int:
        return self.now

    def monotonic(self) -> int:
        self.reads += 1
        return self.steady

    def wall_s(self) -> float:
        return self.now / SECOND

    def advance(self, by_s: float) -> None:
        self.now += int(by_s * SECOND)
        self.steady += int(by_s * SECOND)


class DeliveryBench:
    """A database with a dispatcher that can be stopped and restarted."""

    def __init__(self, path: Path, clock: Clock, endpoints: dict[str, str], **settings: Any) -> None:
        self.path, self.clock = path, clock
        settings = {
            "jitter": 0.0,
            "secret_env": "BENCH_SECRET",
            "retry_s": (5, 30, 120),
            "allow_private": LOOPBACK,
        } | settings
        self.endpoints = [WebhookSettings(name=name, url=url, **settings) for name, url in endpoints.items()]
        self.failed: list[BaseException] = []
        self.open()

    def open(self) -> None:
        # how a dispatcher carries has nothing to do with storms
        quiet = Alarms(flood_above=10**6, flood_below=1)
        self.store = Store(self.path, {one.name: one.url for one in self.endpoints}, alarms=quiet)
        endpoints = [webhook_endpoint(one) for one in self.endpoints]
        self.dispatcher = Dispatcher(
            self.store, endpoints, self.clock.wall, self.clock.monotonic, self.failed.append
        )
        self.dispatcher.start()

    def close(self) -> None:
        self.dispatcher.stop()
        self.store.close()

    def restart(self) -> None:
        self.close()
        self.open()

    def commit(self, *steps: tuple[int, Step]) -> None:
        """Commit (alert number, step) changes, and wake the dispatcher."""
        self.store.commit(StepRecord(self.clock.now, changes=[change(n, step) for n, step in steps]))
        self.dispatcher.wake()

    def advance(self, by_s: float) -> None:
        self.clock.advance(by_s)
        self.dispatcher.wake()

    def settle(self) -> None:
        """Wait until all that is due has been tried: the dispatcher reads the clock at each look and attempt."""
        enough = self.clock.reads + 6

        def looked() -> bool:
            self.dispatcher.wake()
            return self.clock.reads >= enough

        self.until(looked)

    def rows(self, columns: str = "state, attempts, last_outcome") -> list[tuple[Any, ...]]:
        with self.store.read() as connection:
            return [
                tuple(row) for row in connection.execute(text(f"select {columns} from outbox order by seq"))
            ]

    def until(self, condition: Callable[[], bool]) -> None:
        until(condition, every_s=0.002)


def change(n: int, step: Step, *, historic: bool = False) -> Change:
    cleared = START + n + SECOND if step == "cleared" else None
    alert = Alert("same_spot", "pit", f"HB-{n:02d}", "op-11", "low", START + n * 1000, cleared)
    alert.historic = historic
    return Change(step, "pit", alert.hammer, alert.id, alert.record(), alert.onset, cleared)


@contextmanager
def bench_with(path: Path, clock: Clock, *receivers: Receiver, **settings: Any) -> Iterator[DeliveryBench]:
    bench = DeliveryBench(path, clock, {f"end{i}": one.url for i, one in enumerate(receivers)}, **settings)
    try:
        yield bench
    finally:
        bench.close()
