"""The streaming query: messages grouped by shard, the state of each hammer in RocksDB, outcomes to a sink.

Event time, lateness and duplicates are the concern of ordering, for each hammer; Spark's watermark is not used. Its
processing time, which it records for each micro-batch and repeats after a failure, is the clock.
"""

import logging
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any, Final

import structlog

from strikewatch.core.batch import Key
from strikewatch.errors import Rejected
from strikewatch.fleet.failure import batch_error
from strikewatch.fleet.streaming.engine import NO_HAMMER, StreamSettings, engine
from strikewatch.fleet.streaming.messages import in_order, keyed
from strikewatch.fleet.streaming.saved import SavedHammer, ShardSchedule, decode, encode
from strikewatch.fleet.streaming.shard import MS, NEVER_MS, Saved, ShardStep
from strikewatch.sources.mqtt import Message

if TYPE_CHECKING:
    from pyspark.sql import DataFrame
    from pyspark.sql.streaming.query import StreamingQuery

OPTIONS: Final = {
    "spark.sql.streaming.stateStore.providerClass": (
        "org.apache.spark.sql.execution.streaming.state.RocksDBStateStoreProvider"
    ),
    "spark.sql.streaming.stateStore.rocksdb.changelogCheckpointing.enabled": "true",
}
"""Options that the session needs."""

Write = Callable[[int, Sequence[bytes]], None]
"""Called with the number of a micro-batch and the outcomes of its shards, perhaps more than once after a failure."""


def start(
    messages: "DataFrame",
    given: StreamSettings,
    write: Write,
    *,
    checkpoint: str,
    shards: int,
    trigger_s: float,
    busy: AbstractContextManager[Any],
) -> "StreamingQuery":
    """Start the query.

    Args:
        messages: with the columns of `messages`.
        given: settings of the workers.
        write: stores outcomes, on the driver.
        checkpoint: folder of the checkpoint; the state in it depends on `shards`.
        shards: number of keys that the hammers are divided among.
        trigger_s: time from one micro-batch to the next.
        busy: held while a micro-batch is processed and written.
    """
    outcomes = (
        keyed(messages, given, shards)
        .groupBy("shard")
        .transformWithState(Shards(given), "outcome binary", "Append", "ProcessingTime")
    )

    def store(batch: "DataFrame", number: int) -> None:
        with busy:
            try:
                write(number, [bytes(row["outcome"]) for row in batch.collect()])
            except Exception as error:  # noqa: BLE001  # raised again, shorter
                raise batch_error(error) from None

    return (
        outcomes.writeStream.foreachBatch(store)
        .outputMode("append")
        .option("checkpointLocation", checkpoint)
        .trigger(processingTime=f"{round(trigger_s * 1000)} milliseconds")
        .start()
    )


class Shards:
    """Spark's stateful processor (its interface; no class of Spark is needed): all hammers of a shard are one key.

    Compared with a key a hammer, one step of the engine works through many hammers, and a shard needs one timer.
    """

    def __init__(self, given: StreamSettings) -> None:
        self._given = given
        self._handle: Any = None
        self._hammers: Any = None
        self._schedule: Any = None
        self._loaded: dict[Key, bytes] = {}  # states as they are in Spark's store

    def init(self, handle: Any) -> None:
        """Declare the state: of each hammer, and the schedule of all."""
        # what workers would log of feeds is counted in the outcomes
        structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
        self._handle = handle
        self._hammers = handle.getMapState("hammers", "hammer string", "saved binary")
        self._schedule = handle.getValueState("book", "book binary")  # the name in checkpoints

    def handleInputRows(self, key: Any, rows: Iterator[Any], timerValues: Any) -> Iterator[Any]:  # noqa: ARG002, N802, N803
        """Process the messages of a shard."""
        now_ms = timerValues.getCurrentProcessingTimeInMs()
        arrived = in_order(rows)
        hammers = dict.fromkeys(_key(row.hammer) for row in arrived)
        schedule = self._load_schedule()
        step = ShardStep(engine(self._given), schedule, self._load, now_ms)
        messages = []
        # a mapped message is there once for each of its hammers
        once = {(row.partition, row.offset, row.topic, row.value): row for row in arrived}
        for row in once.values():
            if row.refused is not None:
                step.refuse(row.topic or "", _key(row.hammer), Rejected("too_large", row.refused))
            else:
                received = now_ms * MS if row.received_ns is None else min(row.received_ns, now_ms * MS)
                payload = bytes(row.value or b"")
                messages.append(
                    Message(row.topic or "", payload, received, 0, 0, 1, False, bool(row.retained))
                )
        return self._keep(step, schedule, step.take(messages, hammers))

    def handleExpiredTimer(self, key: Any, timerValues: Any, expiredTimerInfo: Any) -> Iterator[Any]:  # noqa: N802, N803
        """Let time pass for silent hammers of a shard."""
        del key
        schedule = self._load_schedule()
        if expiredTimerInfo.getExpiryTimeInMs() == schedule.timer_ms:
            schedule.timer_ms = 0  # Spark removes it
        step = ShardStep(
            engine(self._given), schedule, self._load, timerValues.getCurrentProcessingTimeInMs()
        )
        return self._keep(step, schedule, step.pass_silence())

    def close(self) -> None:
        """Do nothing: Spark closes the state."""

    def _load_schedule(self) -> ShardSchedule:
        self._loaded = {}
        saved = self._schedule.get()
        return ShardSchedule() if saved is None else ShardSchedule.decode(bytes(saved[0]))

    def _load(self, key: Key) -> SavedHammer | None:
        saved = self._hammers.getValue(("/".join(key),))
        if saved is None:
            return None
        self._loaded[key] = bytes(saved[0])
        return decode(key, self._loaded[key])

    def _keep(self, step: ShardStep, schedule: ShardSchedule, saved: Saved) -> Iterator[Any]:
        from pyspark.sql import Row

        for key, one in saved.items():
            state = encode(one)
            if state != self._loaded.get(key):  # a look at a silent hammer seldom changes anything
                self._hammers.updateValue(("/".join(key),), (state,))
        next_ms = min((one.look_ms for one in schedule.hammers.values()), default=NEVER_MS)
        if next_ms != schedule.timer_ms:
            if schedule.timer_ms:
                self._handle.deleteTimer(schedule.timer_ms)
            schedule.timer_ms = 0 if next_ms == NEVER_MS else next_ms
            if schedule.timer_ms:
                self._handle.registerTimer(schedule.timer_ms)
        self._schedule.update((schedule.encode(),))
        return iter([Row(outcome=step.outcome.encode())])


def _key(name: str) -> Key:
    site, _, hammer = name.partition("/")
    return (site, hammer) if hammer else NO_HAMMER
