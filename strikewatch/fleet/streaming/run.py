"""Run a stream until it is stopped: the query, the database of alerts, and the dispatcher that sends them."""

import signal
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import structlog

from strikewatch.errors import InputError, StoreError, StoreLost, StrikewatchError
from strikewatch.fleet.failure import failure_of, jvm_errors
from strikewatch.fleet.streaming.engine import StreamSettings
from strikewatch.fleet.streaming.query import start
from strikewatch.fleet.streaming.sink import Sink
from strikewatch.service.endpoints import endpoints, open_store
from strikewatch.service.housekeeping import Housekeeping
from strikewatch.settings.tree import Settings
from strikewatch.sinks.dispatcher import Dispatcher
from strikewatch.sinks.heartbeat import Heartbeat
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines.disk import private_umask

if TYPE_CHECKING:
    from pyspark.sql import DataFrame, SparkSession
    from pyspark.sql.streaming.query import StreamingQuery

_log: Final = structlog.get_logger("stream")

SHARDS: Final = 16
POLL_S: Final = 1.0
STOP_S: Final = 10.0
"""How long a stop waits for the running micro-batch."""
REPORT_EVERY_S: Final = 60.0
FRESH_S: Final = 60.0
"""The stream counts as healthy for this long after a micro-batch."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a stream keeps what it needs.

    `checkpoint`: a folder or address that all workers can write to. `tables`: folder for Parquet tables. `shards`: the
    number of shards; None: as the checkpoint has it, or `SHARDS`.
    """

    checkpoint: str
    tables: Path | None = None
    shards: int | None = None


def run_stream(
    spark: "SparkSession",
    settings: Settings,
    messages: "Callable[[SparkSession], DataFrame]",
    place: Place,
    trigger_s: float,
) -> None:
    """Run until SIGTERM or SIGINT. Call it from the main thread, in a session with `query.OPTIONS`.

    Raises StrikewatchError if the query, the database or a thread fails.
    """
    stopping = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):  # Spark has handlers of its own
        signal.signal(number, lambda *_: stopping.set())
    with private_umask():
        store = open_store(settings)
        try:
            _Stream(spark, settings, store, stopping).run(messages(spark), place, trigger_s)
        finally:
            store.close()


class _Stream:
    def __init__(
        self, spark: "SparkSession", settings: Settings, store: Store, stopping: threading.Event
    ) -> None:
        self._spark = spark
        self._settings = settings
        self._store = store
        self._stopping = stopping
        self._failure: BaseException | None = None
        self._started = threading.Event()
        self._query: StreamingQuery | None = None
        self._fresh_s = -FRESH_S
        clocks = time.time_ns, time.monotonic_ns
        self._dispatcher = Dispatcher(store, endpoints(settings, store), *clocks, self._fail)
        self._housekeeping = Housekeeping(store, settings, *clocks, stopping.wait, self._fail)

    def run(self, messages: "DataFrame", place: Place, trigger_s: float) -> None:
        given = StreamSettings.of(self._settings, trigger_s)
        shards = shards_of(self._spark, place.checkpoint, place.shards)
        parallel = self._spark.sparkContext.defaultParallelism
        self._spark.conf.set("spark.sql.shuffle.partitions", min(shards, parallel))
        sink = Sink(
            *(self._store, place.tables, self._dispatcher.wake, self._stopping.wait, self._stream_id),
            send_urgent=self._dispatcher.send_urgent,
        )
        heartbeat = self._heartbeat(lambda: sink.messages)
        self._dispatcher.start()
        self._housekeeping.start()
        if heartbeat is not None:
            heartbeat.start()

        def write(number: int, outcomes: Any) -> None:
            sink.write(number, outcomes)
            self._fresh_s = time.monotonic()

        busy = threading.Lock()
        try:
            query = self._query = start(
                messages,
                given,
                write,
                checkpoint=place.checkpoint,
                shards=shards,
                trigger_s=trigger_s,
                busy=busy,
            )
            self._started.set()
            _log.info("stream_started", stream=self._stream_id(), shards=shards)
            self._watch(query, sink)
            if busy.acquire(timeout=STOP_S):  # between two micro-batches, if that does not take too long
                busy.release()  # the next one may have begun: Spark would wait for it forever
            with suppress(*jvm_errors()):
                self._spark.sparkContext.setLogLevel("OFF")  # it would report what the stop cuts off
                query.stop()  # a micro-batch that is cut off is repeated after the next start
        finally:
            self._stopping.set()
            self._dispatcher.stop()
            if heartbeat is not None:
                heartbeat.join()
            self._housekeeping.join()
        if self._failure is not None:
            raise StrikewatchError(f"stopped, since a thread died: {self._failure}") from self._failure
        _log.info("stopped", messages=sink.messages, rows=sink.rows)

    def _watch(self, query: "StreamingQuery", sink: Sink) -> None:
        """Wait for the end; send what is due meanwhile, and report."""
        reported = time.monotonic()
        while not self._stopping.wait(POLL_S):
            if (cause := failure_of(query)) is not None:
                if sink.failure is not None:
                    raise sink.failure
                raise StrikewatchError(
                    f"the stream has failed: {cause}; when started again, it continues from its checkpoint"
                )
            try:
                if self._store.process_due(time.time_ns()):
                    self._dispatcher.wake()
            except StoreLost:
                raise
            except StoreError as error:
                _log.error("poll_refused", problem=str(error), remedy="nothing is lost; this is retried")
            if (now := time.monotonic()) - reported >= REPORT_EVERY_S:
                _log.info("stream_status", messages=sink.messages, rows=sink.rows)
                reported = now

    def _stream_id(self) -> str:
        self._started.wait()
        assert self._query is not None
        return str(self._query.id)

    def _heartbeat(self, messages: Callable[[], int]) -> Heartbeat | None:
        """Return the heartbeat, which is sent while micro-batches are recent; None if it is not set up."""
        if self._settings.heartbeat is None:
            return None

        def state() -> Mapping[str, Any] | None:
            if time.monotonic() - self._fresh_s >= FRESH_S:
                return None
            off = sorted(self._dispatcher.switched_off)
            return {"messages": messages(), "endpoints_off": off, "trouble": self._store.disk_warning}

        return Heartbeat(self._settings.heartbeat, state, time.time_ns, self._stopping.wait, self._fail)

    def _fail(self, error: BaseException) -> None:
        self._failure = error
        self._stopping.set()


def shards_of(spark: "SparkSession", checkpoint: str, wanted: int | None) -> int:
    """Return the number of shards of a checkpoint; write it into a new one.

    Raises InputError if another number is wanted: hammers would lose their state.
    """
    jvm: Any = spark.sparkContext._jvm
    path = jvm.org.apache.hadoop.fs.Path(checkpoint, "strikewatch-shards")
    files = path.getFileSystem(spark.sparkContext._jsc.hadoopConfiguration())
    if not files.exists(path):
        new = jvm.org.apache.hadoop.fs.Path(checkpoint, "_strikewatch-shards")
        written = files.create(new)
        written.writeUTF(str(wanted or SHARDS))
        written.close()
        files.rename(new, path)
        return wanted or SHARDS
    opened = files.open(path)
    shards = int(opened.readUTF())
    opened.close()
    if wanted not in (None, shards):
        raise InputError(
            f"{checkpoint}: was begun with {shards} shards, which cannot change; leave out --shards, or begin with a "
            "new checkpoint"
        )
    return shards
