"""Sources of messages as streaming DataFrames, and the hammer of each message.

A message has `topic`, `value` (the payload as it came) and `offset` (rises in order of arrival); where they are known,
also `partition` (`offset` rises only within it), `received_ns` (wall time of arrival), `retained`, and `refused` (why
the sender left the payload out).
"""

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from strikewatch.errors import InputError
from strikewatch.fleet.streaming.engine import StreamSettings, router
from strikewatch.sources.decode.topic import ID_PATTERN

if TYPE_CHECKING:
    from pyspark.sql import DataFrame, SparkSession

Form = Literal["json", "parquet"]
FORMS: Final[tuple[Form, ...]] = ("json", "parquet")
SCHEMA: Final = (
    "topic string, value {value}, partition int, offset long, "
    "received_ns long, retained boolean, refused string"
)
_COLUMNS: Final = ("topic", "value", "partition", "offset", "received_ns", "retained", "refused")
MAX_AGE_DAYS: Final = 365
"""Spark passes over a file that is so much older than the newest one: it no longer knows whether it was read."""
_PACKAGE: Final = "org.apache.spark:spark-sql-kafka-0-10_2.13"


def from_files(spark: "SparkSession", folder: Path, form: Form, limit: int) -> "DataFrame":
    """Return the messages of files that are moved into a folder, the oldest file first.

    `form`: JSON lines, with payloads as text in `value` or any bytes in `value_base64`; or Parquet. `limit`: largest
    number of files in a micro-batch. Names that begin with `.` or `_` are passed over.
    """
    from pyspark.sql import functions as F  # noqa: N812  # as everywhere

    reader = spark.readStream.options(
        maxFilesPerTrigger=limit, pathGlobFilter=f"*.{form}", maxFileAge=f"{MAX_AGE_DAYS}d"
    )
    if form == "parquet":
        return reader.schema(SCHEMA.format(value="binary")).parquet(str(folder))
    schema = SCHEMA.format(value="string") + ", value_base64 string, _corrupt_record string"
    lines = reader.schema(schema).json(str(folder))
    # a line that is not JSON becomes a message without a topic, which is rejected and kept, as is what is not base64
    text = F.coalesce("value", "value_base64", "_corrupt_record")
    value = F.coalesce(F.try_to_binary("value_base64", F.lit("base64")), F.encode(text, "UTF-8"))
    return lines.withColumn("value", value).select(*_COLUMNS)


def from_kafka(
    spark: "SparkSession", servers: str, topic: str, limit: int, options: Mapping[str, str] | None = None
) -> "DataFrame":
    """Return the messages of a Kafka topic, as `strikewatch fleet bridge` writes them, from its beginning.

    `limit`: largest number of messages in a micro-batch. `options`: further options of Spark's Kafka source. Raises
    InputError if Spark has no Kafka source.
    """
    from pyspark.errors import AnalysisException

    reader = spark.readStream.format("kafka").options(
        **{
            "kafka.bootstrap.servers": servers,
            "subscribe": topic,
            "startingOffsets": "earliest",
            "failOnDataLoss": "true",
            "includeHeaders": "true",
            "maxOffsetsPerTrigger": str(limit),
            **(options or {}),
        }
    )
    try:
        records = reader.load()
    except AnalysisException as error:
        raise InputError(
            f"Spark cannot read Kafka ({error.getCondition() or 'no such source'}); "
            f"run with spark-submit --packages {_PACKAGE}:{spark.version}"
        ) from None
    return from_records(records)


def from_records(records: "DataFrame") -> "DataFrame":
    """Return the messages of Kafka's records: the topic is in a header, or else in the key.

    Others may write to Kafka's topic, so nothing is expected of keys and headers.
    """
    from pyspark.sql import functions as F  # noqa: N812

    def text(column: Any) -> Any:
        return F.make_valid_utf8(column.cast("string"))

    def header(name: str) -> Any:
        found = F.filter("headers", lambda each: each["key"] == name)
        return text(F.try_element_at(found, F.lit(-1))["value"])

    received = header("received_ns").try_cast("long")
    return records.select(
        F.coalesce(header("topic"), text(F.col("key"))).alias("topic"),
        "value",
        "partition",
        "offset",
        F.coalesce(received, F.unix_millis("timestamp") * 1_000_000).alias("received_ns"),
        (header("retained") == "true").alias("retained"),
        header("refused").alias("refused"),
    )


def keyed(messages: "DataFrame", given: StreamSettings, shards: int) -> "DataFrame":
    """Add to each message its `hammer`, "site/hammer" or empty, and the hammer's `shard`.

    A message of several hammers, which only mapped ones can be, is repeated for each.
    """
    from pyspark.sql import functions as F  # noqa: N812

    if given.sources:
        hammers = F.udf(
            lambda topic, value, received_ns: _hammers(given, topic, value, received_ns), "array<string>"
        )
        received = F.coalesce("received_ns", F.lit(1 << 62))
        keyed = messages.withColumn("hammer", F.explode(hammers("topic", "value", received)))
    else:
        name = ID_PATTERN.strip("^$")
        pattern = f"^{re.escape(given.load().mqtt.prefix)}/({name}/{name})/(samples|events)\\z"
        keyed = messages.withColumn("hammer", F.coalesce(F.regexp_extract("topic", pattern, 1), F.lit("")))
    return keyed.withColumn("shard", F.pmod(F.xxhash64("hammer"), F.lit(shards)).cast("int"))


def in_order(rows: Iterable[Any]) -> list[Any]:
    """Sort the messages of a micro-batch by arrival: within a partition by offset, among partitions by time."""
    reached: dict[int, int] = {}
    found = []
    for number, row in enumerate(sorted(rows, key=lambda row: (row.partition or 0, row.offset or 0))):
        partition = row.partition or 0
        # a clock that is set back does not change the order within a partition
        reached[partition] = max(reached.get(partition, 0), row.received_ns or 0)
        found.append((reached[partition], number, row))
    return [row for _, _, row in sorted(found)]


def _hammers(
    given: StreamSettings, topic: str | None, value: bytearray | None, received_ns: int
) -> list[str]:
    found = router(given).hammers(topic or "", bytes(value or b""), received_ns)
    return ["/".join(key) if key[1] else "" for key in found]
