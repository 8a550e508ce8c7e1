"""The parts of a stream on Spark (`local[2]`), in one session.

Needs `pip install -e '.[spark]'` and Java 17: `python -m pytest tests/long/fleet`.
"""

import json
from base64 import b64encode
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from strikewatch.errors import InputError
from strikewatch.fleet.failure import batch_error
from strikewatch.fleet.streaming.engine import StreamSettings
from strikewatch.fleet.streaming.messages import SCHEMA, from_files, from_kafka, from_records, keyed
from strikewatch.settings.tree import Settings
from tests.fleet.test_failure import Py4JJavaError
from tests.fleet.test_stream_settings import mapped

if TYPE_CHECKING:
    from pyspark.sql import SparkSession

pytestmark = [
    pytest.mark.filterwarnings("default::ResourceWarning"),
    pytest.mark.filterwarnings("ignore:PySpark does not yet fully support pandas:FutureWarning"),
]
RECORD = (
    "key binary, value binary, partition int, offset long, timestamp timestamp, "
    "headers array<struct<key:string,value:binary>>"
)
MESSAGE = SCHEMA.format(value="binary")


def test_records_of_kafka_are_messages(spark: "SparkSession") -> None:
    at = datetime(2026, 3, 4, 6, tzinfo=UTC)
    headers = [("topic", b"strikewatch/a/HB-01/samples"), ("received_ns", b"1772604000000000001")]
    records = [
        (b"a/HB-01", b"{}", 3, 5, at, [*headers, ("retained", b"true")]),
        (b"strikewatch/a/HB-02/events", None, 3, 6, at, [("refused", b"payload of 9 bytes")]),
        (None, b"x", 3, 7, at, None),
        (b"\xff", b"x", 3, 8, at, [("received_ns", b"soon")]),
    ]
    found = from_records(spark.createDataFrame(records, RECORD))
    arrived = 1_772_604_000_000_000_000
    assert [tuple(row) for row in found.collect()] == [
        ("strikewatch/a/HB-01/samples", b"{}", 3, 5, arrived + 1, True, None),
        ("strikewatch/a/HB-02/events", None, 3, 6, arrived, None, "payload of 9 bytes"),
        (None, b"x", 3, 7, arrived, None, None),
        ("\ufffd", b"x", 3, 8, arrived, None, None),  # not written by the bridge
    ]
    hammers = keyed(found, StreamSettings.of(Settings()), 4).select("hammer").collect()
    assert [row["hammer"] for row in hammers] == ["a/HB-01", "a/HB-02", "", ""]


def test_a_mapped_message_is_repeated_for_each_of_its_hammers(spark: "SparkSession", tmp_path: Path) -> None:
    units = [{"unit": name, "at": 1, "on": True} for name in ("HB-01", "HB-02")]
    messages = [
        ("plant/gateway", json.dumps({"units": units}).encode(), None, 1, None, None, None),
        ("strikewatch/a/HB-02/events", None, None, 2, None, None, None),
    ]
    found = keyed(spark.createDataFrame(messages, MESSAGE), mapped(tmp_path), 4).collect()
    assert [(row["topic"], row["hammer"]) for row in found] == [
        ("plant/gateway", "fennick-hollow/HB-01"),
        ("plant/gateway", "fennick-hollow/HB-02"),
        ("strikewatch/a/HB-02/events", "a/HB-02"),
    ]


def test_a_topic_that_names_no_possible_hammer_is_of_none(spark: "SparkSession") -> None:
    """Its message is then rejected, and the reject kept."""
    names = "a/HB-01", "a b/HB-01", "a/.HB", "a/HB-01\n", "a/b/c"
    messages = [
        (f"strikewatch/{name}/samples", b"{}", None, k, None, None, None) for k, name in enumerate(names)
    ]
    messages.append(("strikewatch/a/HB-01/samples\n", b"{}", None, 9, None, None, None))
    found = keyed(spark.createDataFrame(messages, MESSAGE), StreamSettings.of(Settings()), 4).collect()
    assert [row["hammer"] for row in found] == ["a/HB-01", "", "", "", "", ""]


def test_what_cannot_be_read_in_a_file_becomes_a_message_that_is_rejected(
    spark: "SparkSession", tmp_path: Path
) -> None:
    lines = [
        json.dumps({"topic": "a", "offset": 1, "value_base64": b64encode(b"\xff\0").decode()}),
        json.dumps({"topic": "a", "offset": 2, "value_base64": "not base64!"}),
        "not JSON",
    ]
    (tmp_path / "incoming").mkdir()
    (tmp_path / "incoming" / "one.json").write_text("\n".join(lines), encoding="utf-8")
    query = (
        from_files(spark, tmp_path / "incoming", "json", 1)
        .writeStream.format("memory")
        .queryName("read")
        .trigger(availableNow=True)
        .start()
    )
    query.awaitTermination()
    found = spark.table("read").orderBy("offset").collect()
    assert [(row["topic"], bytes(row["value"])) for row in found] == [
        (None, b"not JSON"),
        ("a", b"\xff\0"),
        ("a", b"not base64!"),
    ]


def test_without_the_source_of_kafka_the_remedy_is_named(spark: "SparkSession") -> None:
    with pytest.raises(InputError, match="spark-submit --packages"):
        from_kafka(spark, "localhost:9", "strikewatch", 10)


def test_spark_recognises_an_interruption_in_a_short_form(spark: "SparkSession") -> None:
    jvm: Any = spark.sparkContext._jvm
    execution = jvm.org.apache.spark.sql.execution.streaming.runtime.StreamExecution

    def recognised(text: str) -> bool:
        error = jvm.py4j.Py4JException(str(batch_error(Py4JJavaError(text))))
        return bool(execution.isInterruptionException(error, spark.sparkContext._jsc.sc()))

    stack = "\n\tat some.Class.method(Class.java:1)" * 1000
    assert recognised(
        f"An error occurred while calling o1.collectToPython.\n: java.lang.InterruptedException{stack}"
    )
    assert not recognised(
        f"An error occurred while calling o1.collectToPython.\n: java.io.IOException: full{stack}"
    )
