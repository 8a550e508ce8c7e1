"""A Kafka cluster for tests: librdkafka's own mock brokers, which speak Kafka's protocol on loopback sockets.

    with KafkaCluster() as cluster:
        Producer({"bootstrap.servers": cluster.servers})
        cluster.set_down()                       # connections end, new ones are refused
        cluster.set_up()                         # what was written is still there

`read` returns what a topic holds. The library is the one that the installed client loads.
"""

import ctypes
import time
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple

import confluent_kafka
from confluent_kafka import Consumer, TopicPartition

BROKERS = 3
PARTITIONS = 4
_PRODUCER = 0


class Written(NamedTuple):
    """A message in Kafka."""

    partition: int
    key: str
    value: bytes | None
    headers: dict[str, str]


def _library() -> Any:
    folder = Path(confluent_kafka.__file__).parent.with_name("confluent_kafka.libs")
    (path,) = folder.glob("librdkafka-*.so*")
    library = ctypes.CDLL(str(path))
    library.rd_kafka_new.restype = ctypes.c_void_p
    library.rd_kafka_mock_cluster_new.restype = ctypes.c_void_p
    library.rd_kafka_mock_cluster_new.argtypes = [ctypes.c_void_p, ctypes.c_int]
    library.rd_kafka_mock_cluster_bootstraps.restype = ctypes.c_char_p
    library.rd_kafka_mock_cluster_bootstraps.argtypes = [ctypes.c_void_p]
    library.rd_kafka_mock_topic_create.argtypes = [
        ctypes.c_void_p,
        ctypes.c_char_p,
        ctypes.c_int,
        ctypes.c_int,
    ]
    for name in ("broker_set_down", "broker_set_up"):
        getattr(library, f"rd_kafka_mock_{name}").argtypes = [ctypes.c_void_p, ctypes.c_int32]
    library.rd_kafka_mock_push_request_errors_array.argtypes = [
        ctypes.c_void_p,
        ctypes.c_int16,
        ctypes.c_size_t,
        ctypes.POINTER(ctypes.c_int),
    ]
    for name in ("rd_kafka_mock_cluster_destroy", "rd_kafka_destroy"):
        getattr(library, name).argtypes = [ctypes.c_void_p]
        getattr(library, name).restype = None
    return library


class KafkaCluster:
    """Three brokers with one topic."""

    def __init__(self, topic: str = "strikewatch") -> None:
        self.topic = topic

    def __enter__(self) -> "KafkaCluster":
        self._library = _library()
        self._client = self._library.rd_kafka_new(_PRODUCER, None, ctypes.create_string_buffer(512), 512)
        self._cluster = self._library.rd_kafka_mock_cluster_new(self._client, BROKERS)
        self._library.rd_kafka_mock_topic_create(self._cluster, self.topic.encode(), PARTITIONS, BROKERS)
        self.servers = self._library.rd_kafka_mock_cluster_bootstraps(self._cluster).decode()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._library.rd_kafka_mock_cluster_destroy(self._cluster)
        self._library.rd_kafka_destroy(self._client)

    def set_down(self) -> None:
        for broker in range(1, BROKERS + 1):
            self._library.rd_kafka_mock_broker_set_down(self._cluster, broker)

    def set_up(self) -> None:
        for broker in range(1, BROKERS + 1):
            self._library.rd_kafka_mock_broker_set_up(self._cluster, broker)

    def refuse(self, code: int, times: int) -> None:
        """Answer the next requests to produce with an error code of Kafka's protocol."""
        errors = (ctypes.c_int * times)(*[code] * times)
        self._library.rd_kafka_mock_push_request_errors_array(self._cluster, 0, times, errors)

    def read(self, quiet_s: float = 1.0) -> list[Written]:
        """Return all messages of the topic, those of a partition in order; it ends after `quiet_s` without any."""
        consumer = Consumer(
            {"bootstrap.servers": self.servers, "group.id": "test", "auto.offset.reset": "earliest"}
        )
        consumer.assign([TopicPartition(self.topic, number, 0) for number in range(PARTITIONS)])
        found: list[Written] = []
        last = time.monotonic() + 10.0  # until the first answer
        while time.monotonic() - last < quiet_s:
            for message in consumer.consume(1000, 0.1):
                if message.error() is None:
                    last = time.monotonic()
                    headers = {name: value.decode() for name, value in message.headers() or ()}
                    found.append(
                        Written(message.partition(), message.key().decode(), message.value(), headers)
                    )
        consumer.close()
        return found
