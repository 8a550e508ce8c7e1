"""Errors of Spark and its JVM, and why a micro-batch or a query of a stream has failed, in few lines.

Spark looks for an interruption in the text of what `foreachBatch` raises, by a regular expression that recurses for
each character. With its stack trace the text of a Java error is longer than the stack of the query's thread allows: the
thread then dies of a StackOverflowError, and the reason is lost.
"""

import re
import traceback
from typing import TYPE_CHECKING, Final

from strikewatch.errors import StrikewatchError

if TYPE_CHECKING:
    from pyspark.sql.streaming.query import StreamingQuery

MAX_LENGTH: Final = 1500
_CAUSE: Final = re.compile(
    r"^(?:: |Caused by: )?((?:(?:[\w$]+\.)+[A-Z][\w$]*|[A-Z]\w*(?:Error|Exception))(?:: .*)?)$", re.MULTILINE
)
"""A line that names an exception of Java or Python; lines of stack traces and tracebacks are indented."""
_INTERRUPTIONS: Final = (
    "java.lang.InterruptedException",
    "java.io.InterruptedIOException",
    "java.nio.channels.ClosedByInterruptException",
)
_PY4J: Final = "py4j.protocol.Py4JJavaError"
_OWN: Final = "strikewatch.errors."


def jvm_errors() -> tuple[type[Exception], ...]:
    """Return the errors of calls to a JVM that has ended: when a whole group of processes is stopped."""
    from py4j.protocol import Py4JError

    return OSError, Py4JError


def batch_error(error: Exception) -> StrikewatchError:
    """Return the error to raise from `foreachBatch` instead of another: the reason, and on further lines its causes.

    An interruption, which is that of a stop, has the form that Spark recognises, and then does not log.
    """
    causes = _causes("".join(traceback.format_exception_only(error)))
    if interrupted := [one for one in causes if one.startswith(_INTERRUPTIONS)]:
        return StrikewatchError(f"{_PY4J}: An error occurred while calling collect: {interrupted[0]}")
    causes = [one for one in causes if not one.startswith(_PY4J)] or [str(error)]
    return StrikewatchError("\n".join(dict.fromkeys([_reason(causes), *causes]))[:MAX_LENGTH])


def failure_of(query: "StreamingQuery") -> str | None:
    """Return why a query has ended, in one line; None while it is active."""
    try:
        if query.isActive:
            return None
        error = query.exception()
    except jvm_errors():
        return "Spark's JVM has ended"
    return _reason(_causes(str(error or "")) or ["no reason given"])


def _causes(text: str) -> list[str]:
    return list(dict.fromkeys(line.rstrip() for line in _CAUSE.findall(text)))


def _reason(causes: list[str]) -> str:
    """Return the text of our own exception, if there is one: it has the remedy; else the first cause of all."""
    own = [one.partition(": ")[2] for one in causes if one.startswith(_OWN)]
    return own[-1] if own else causes[-1]
