"""A fleet on Apache Spark: a session, its workers, and the tables of a replayed fleet as DataFrames.

Only places and jobs go through Spark: each task opens its hammers' files itself and writes its tables, so no row of
samples leaves the Python worker.
"""

import os
import shutil
import sys
import threading
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext, suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from strikewatch.errors import InputError, StrikewatchError
from strikewatch.fleet.failure import jvm_errors
from strikewatch.fleet.folder import FleetFolder
from strikewatch.fleet.replay import Workers
from strikewatch.fleet.tables import SCHEMAS

if TYPE_CHECKING:
    from pyspark.sql import DataFrame, SparkSession

_SUBMITTED: Final = "PYSPARK_GATEWAY_PORT"
"""Set by spark-submit, which then has chosen the cluster and the options."""
_ALWAYS: Final = {
    "spark.sql.session.timeZone": "UTC",
    "spark.python.daemon.module": "strikewatch.fleet.worker_daemon",
}
_ON_THIS_MACHINE: Final = {
    "spark.ui.enabled": "false",
    "spark.ui.showConsoleProgress": "false",
    "spark.driver.host": "127.0.0.1",
    "spark.driver.bindAddress": "127.0.0.1",
    "spark.sql.shuffle.partitions": "8",
}

CONF: Final = Path(__file__).parent / "conf"
"""Spark's configuration where Strikewatch starts it: errors only in its log."""

_USUAL_LINES: Final = (
    "WARNING: Using incubator modules",
    "Setting default log level",
    "To adjust logging level",
    "Starting Streaming TransformWithStateInPandas",
    "Streaming TransformWithStateInPandas",
    "\n",
)
"""What the JVM and its workers print at each start, whatever their logs are set to."""


@contextmanager
def _without_usual_lines() -> Iterator[None]:
    """Pass on what a JVM started meanwhile ever prints on standard error, without the usual lines."""
    reading, writing = os.pipe()
    stderr = os.dup(2)
    os.dup2(writing, 2)
    os.close(writing)

    def forward() -> None:
        with os.fdopen(reading, errors="replace") as lines, os.fdopen(stderr, "w") as passed_on:
            for line in lines:
                if not line.startswith(_USUAL_LINES):
                    passed_on.write(line)
                    passed_on.flush()

    forwarding = threading.Thread(target=forward, name="spark-stderr", daemon=True)
    try:
        yield
    finally:
        os.dup2(stderr, 2)
        forwarding.start()


@contextmanager
def session(master: str | None = None, *, verbose: bool = False, **options: str) -> "Iterator[SparkSession]":
    """Yield a Spark session and stop it afterwards.

    Args:
        master: such as `local[2]`; None: all cores of this machine, or the cluster that spark-submit has chosen.
        verbose: let Spark log as it is used to.
        options: further options of Spark, with `_` in place of `.` in their names.

    Raises InputError if Spark or Java is not installed.
    """
    try:
        from pyspark.sql import SparkSession
    except ImportError:
        raise InputError(
            "Spark is not installed; install it with: pip install 'strikewatch[spark]'"
        ) from None
    submitted = _SUBMITTED in os.environ
    if not (submitted or os.environ.get("JAVA_HOME") or shutil.which("java")):
        raise InputError(
            "Spark needs Java 17, which is not installed; on Debian: apt-get install openjdk-17-jre-headless"
        )
    os.environ.setdefault("PYSPARK_PYTHON", sys.executable)
    if not (submitted or verbose):
        os.environ.setdefault("SPARK_CONF_DIR", str(CONF))
    builder = SparkSession.builder.appName("strikewatch")
    given = {name.replace("_", "."): value for name, value in options.items()}
    for name, value in {**({} if submitted else _ON_THIS_MACHINE), **_ALWAYS, **given}.items():
        builder = builder.config(name, value)
    if master is not None or not submitted:
        builder = builder.master(master or "local[*]")
    with warnings.catch_warnings():
        # it is about frames of pandas, which are never handed to Spark here
        warnings.filterwarnings("ignore", "PySpark does not yet fully support pandas", FutureWarning)
        with nullcontext() if submitted or verbose else _without_usual_lines():
            spark = builder.getOrCreate()
        try:
            yield spark
        finally:
            with suppress(*jvm_errors()):
                spark.stop()


def workers(spark: "SparkSession") -> Workers:
    """Return the workers of a session."""
    context = spark.sparkContext

    def run(function: Callable[[Any], Any], items: Sequence[Any]) -> list[Any]:
        results = context.parallelize(items, len(items)).map(partial(_result_or_error, function)).collect()
        for _, error in results:
            if error is not None:
                raise InputError(error)
        return [result for result, _ in results]

    return Workers(run, context.defaultParallelism)


def table(spark: "SparkSession", folder: Path, name: str) -> "DataFrame":
    """Return a table of a replayed fleet, one of `tables.SCHEMAS`: the files that its last finished run counts.

    Raises InputError if nothing was replayed into the folder.
    """
    from pyspark.sql.pandas.types import from_arrow_schema

    paths = [str(path) for path in FleetFolder(folder).files(name)]
    schema = from_arrow_schema(SCHEMAS[name], prefer_timestamp_ntz=False)
    return spark.read.schema(schema).parquet(*paths) if paths else spark.createDataFrame([], schema)


def _result_or_error(function: Callable[[Any], Any], item: Any) -> tuple[Any, str | None]:
    """Return a result, or the message of an error that repeating the task would not help."""
    try:
        return function(item), None
    except StrikewatchError as error:
        return None, str(error)
