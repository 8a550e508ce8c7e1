"""The log, which also contains the alerts: one JSON object per line for machines, or one readable line for people.

Levels: error = a person must act, warning = a problem that was recovered from, info = normal operation.
"""

import logging
import logging.handlers
import sys
from collections.abc import Iterable
from typing import Any, Final

import structlog
from structlog.typing import EventDict, Processor

from strikewatch.core.alert import Change
from strikewatch.sinks.settings import LogSettings
from strikewatch.storage.engines import disk

ALERT: Final = "alert"
_log = structlog.get_logger("strikewatch.alerts")


class _LogFile(logging.handlers.WatchedFileHandler):
    """A file that is opened anew if it is moved. What cannot be written goes to standard error and stops nobody."""

    def emit(self, record: logging.LogRecord) -> None:
        try:
            super().emit(record)
        except OSError:  # it cannot be opened anew, as when its folder is gone
            self.handleError(record)


def set_up(settings: LogSettings) -> None:
    """Send all log lines, including those of libraries, to one place in one form. Raises OSError for a bad file."""
    handler: logging.Handler
    if settings.file is None:
        handler = logging.StreamHandler(sys.stderr)
        colours = sys.stderr.isatty()
    else:
        disk.make_folder(settings.file.parent)
        disk.create_file(settings.file)
        handler = _LogFile(settings.file, encoding="utf-8")
        colours = False
    shared: list[Processor] = [
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    last: list[Processor]
    if settings.form == "json":
        last = [structlog.processors.format_exc_info, structlog.processors.JSONRenderer(ensure_ascii=False)]
    else:
        # the default formatter would print local variables, and so secrets
        plain = structlog.dev.plain_traceback
        last = [_alert_sentence, structlog.dev.ConsoleRenderer(colors=colours, exception_formatter=plain)]
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=[*shared, structlog.stdlib.add_logger_name],
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *last],
        )
    )
    root = logging.getLogger()
    for old in root.handlers[:]:
        root.removeHandler(old)
        old.close()
    root.addHandler(handler)
    root.setLevel(settings.level.upper())
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *shared,
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        cache_logger_on_first_use=False,
    )
    if settings.file is not None:
        disk.make_private([settings.file])


def log_changes(changes: Iterable[Change]) -> None:
    """Log each change of an alert that is to be delivered: the step, and the record after it."""
    for change in changes:
        if change.deliver:
            _log.info(ALERT, step=change.step, **change.record)


def _alert_sentence(_logger: Any, _method: str, line: EventDict) -> EventDict:
    """Turn an alert's line into a sentence for people, without the fields that it contains."""
    if line.get("event") != ALERT or "step" not in line:
        return line
    head = f"{line['hammer'] or line['site']} {line['fault']} {line['step']}"
    late = ", historic" if line["historic"] else ""
    return {
        "timestamp": line["timestamp"],
        "level": line["level"],
        "event": f"{head} ({line['priority']}{late}): {line['summary']}",
        "operator": line["operator"] or "unassigned",
        "onset": line["onset"],
    }
