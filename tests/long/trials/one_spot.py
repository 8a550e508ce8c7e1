"""One hammer that rests, and fires in one spot, on command: it raises one alert, whose instants are known."""

from pathlib import Path

import pyarrow.parquet as pq

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from tests.service.processor import Gateway, Processor, now_ns, until
from tests.service.test_live import fire, rest

HAMMER = "HB-03"
HZ = 10
LIMIT_S = 15


class OneSpotWork:
    """`rest` and `fire` send seconds of samples, one after the other; firing is one stretch, in parts or whole."""

    def __init__(self, gateway: Gateway) -> None:
        self._gateway = gateway
        self._start = now_ns() - 3600 * SECOND
        self._sent_s = 0
        self._fired: tuple[int, int] | None = None

    def rest(self, seconds: int) -> None:
        rest(self._gateway, HAMMER, self._start, self._sent_s, self._sent_s + seconds)
        self._sent_s += seconds
        self._gateway.settle()

    def fire(self, seconds: int) -> None:
        fire(self._gateway, HAMMER, self._start, self._sent_s, self._sent_s + seconds)
        first = self._fired[0] if self._fired else self._sent_s
        self._sent_s += seconds
        self._fired = first, self._sent_s
        self._gateway.settle()

    def wait_until_processed(self, processor: Processor) -> None:
        """Wait until all that was sent is on record."""
        processor.wait_until_processed(HAMMER, self._start + self._sent_s * SECOND - SECOND // HZ)

    def errors(self, processor: Processor, recordings: Path) -> dict[str, int]:
        """Wait for the alert's end, stop the processor, and count what is missing or too much."""
        until(lambda: [one for one in processor.alerts() if one["hammer"] and one["cleared"]])
        self.wait_until_processed(processor)
        assert processor.stop() == 0
        assert self._fired is not None
        first, last = (self._start + s * SECOND for s in self._fired)
        wanted = instant.text(first + LIMIT_S * SECOND), instant.text(last)
        found = [(one["onset"], one["cleared"]) for one in processor.alerts() if one["hammer"]]
        tables = [pq.read_table(path) for path in recordings.glob("*/*/samples.parquet")]
        times = [at for table in tables for at in table["time"].cast("int64").to_pylist()]
        return {
            "alerts_missing": int(wanted not in found),
            "alerts_unexpected": len(found) - found.count(wanted),
            "alerts_twice": max(0, found.count(wanted) - 1),
            "rows_lost": self._sent_s * HZ - len(set(times)),
            "rows_twice": len(times) - len(set(times)),
        }
