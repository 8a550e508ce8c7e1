"""What is said of the broker, and when: as the processor's own thread sees it, with a clock of the test's own."""

from collections import Counter
from types import SimpleNamespace
from typing import Any

from structlog.testing import capture_logs

from strikewatch.service.status import REPORT_EVERY_NS, StatusLog
from strikewatch.sources.mqtt import CONNECTING, Status

WORKER: Any = SimpleNamespace(messages=0, rejected=Counter())


def away(reason: str, **more: Any) -> Status:
    return Status(connected=False, since_ns=0, reason=reason, **more)


def test_a_first_connection_is_not_logged_as_lost_and_lasting_problems_are_repeated() -> None:
    now = [0]
    watch = StatusLog(lambda: now[0])
    with capture_logs() as said:
        watch.update(away(CONNECTING), WORKER)
        assert said == []
        watch.update(away("refused"), WORKER)
        watch.update(away("refused"), WORKER)
        assert [(one["event"], one["problem"]) for one in said] == [("broker_lost", "refused")]
        for _ in range(2):
            now[0] += REPORT_EVERY_NS
            watch.update(away("refused"), WORKER)
            watch.update(away("refused"), WORKER)
        assert [(one["event"], one["log_level"]) for one in said[1:]] == [("broker_unreachable", "error")] * 2


def test_a_takeover_is_logged_even_after_the_session_is_back() -> None:
    watch = StatusLog(lambda: 0)
    with capture_logs() as said:
        watch.update(Status(connected=True, since_ns=0, reason="connected", takeovers=1), WORKER)
        watch.update(Status(connected=True, since_ns=0, reason="connected", takeovers=1), WORKER)
        watch.update(away("in use by another instance", takeovers=2), WORKER)
    assert [one["takeovers"] for one in said if one["event"] == "broker_taken_over"] == [1, 2]
    assert not [one for one in said if one["event"] == "broker_lost"]
