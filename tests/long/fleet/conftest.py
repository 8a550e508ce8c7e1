"""One session of Spark for all tests: a JVM takes seconds to start."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from strikewatch.fleet.spark import session

if TYPE_CHECKING:
    from pyspark.sql import SparkSession


@pytest.fixture(scope="session")
def spark() -> "Iterator[SparkSession]":
    with session("local[2]", spark_driver_memory="512m") as spark:
        yield spark
