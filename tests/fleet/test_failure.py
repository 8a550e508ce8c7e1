"""What a failed micro-batch of a stream on Spark is reported as: short, and with the reason."""

import pytest

from strikewatch.errors import StoreError
from strikewatch.fleet.failure import MAX_LENGTH, batch_error

STACK = "\n\tat org.apache.spark.some.Class.method(Class.scala:1)" * 500


class Py4JJavaError(Exception):
    """Stands for the one of py4j, whose text is made from a Java error."""

    __module__ = "py4j.protocol"


CALLED = "An error occurred while calling o133.collectToPython.\n: "
TRACEBACK = (
    'Traceback (most recent call last):\n  File "worker.py", line 1, in main\n    run()\n'
    "           ^^^^^\nstrikewatch.errors.StoreError: a/HB-01: unknown layout\n SQLSTATE: 38000\n"
)


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        (
            f"{CALLED}org.apache.spark.SparkException: Job aborted: task lost{STACK}\n"
            f"Caused by: java.io.IOException: No space left on device{STACK}\n\t... 33 more\n",
            [
                "java.io.IOException: No space left on device",
                "org.apache.spark.SparkException: Job aborted: task lost",
            ],
        ),
        (
            f"{CALLED}org.apache.spark.SparkException: Job aborted: {TRACEBACK}{STACK}\n"
            f"Caused by: org.apache.spark.api.python.PythonException: {TRACEBACK}{STACK}",
            [
                "a/HB-01: unknown layout",
                "org.apache.spark.SparkException: Job aborted: Traceback (most recent call last):",
                "strikewatch.errors.StoreError: a/HB-01: unknown layout",
                "org.apache.spark.api.python.PythonException: Traceback (most recent call last):",
            ],
        ),
        (
            f"{CALLED}org.apache.spark.SparkException: Job 4 cancelled part of cancelled job group 0bbb5a74{STACK}",
            ["org.apache.spark.SparkException: Job 4 cancelled part of cancelled job group 0bbb5a74"],
        ),
        (
            f"{CALLED}java.lang.InterruptedException{STACK}",
            [
                "py4j.protocol.Py4JJavaError: An error occurred while calling collect: "
                "java.lang.InterruptedException"
            ],
        ),
    ],
)
def test_a_java_error_becomes_its_causes(text: str, lines: list[str]) -> None:
    assert str(batch_error(Py4JJavaError(text))) == "\n".join(lines)


def test_an_error_of_our_own_keeps_its_text() -> None:
    assert str(batch_error(StoreError("disk full"))).splitlines()[0] == "disk full"


def test_an_error_of_python_keeps_its_name() -> None:
    assert str(batch_error(ZeroDivisionError("division by zero"))) == "ZeroDivisionError: division by zero"


def test_a_long_text_is_cut() -> None:
    """Such as that of a database, with its statement."""
    assert len(str(batch_error(StoreError("INSERT INTO alerts VALUES (?)" * 1000)))) == MAX_LENGTH
