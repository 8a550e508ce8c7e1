"""One session of Spark for all tests: a JVM takes seconds to start."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from strikewatch.fleet.spark import session
from tests.long.fleet.kills import SHORT_JVM

if TYPE_CHECKING:
    from pyspark.sql import SparkSession


@pytest.fixture(scope="session")
def spark() -> "Iterator[SparkSession]":
    with session("local[2]", spark_driver_memory="512m", **SHORT_JVM) as spark:
        yield spark
