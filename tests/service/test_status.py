"""What is said of the broker, and when: as the processor's own thread sees it, with a clock of the test's own."""

from collections import Counter
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from structlog.testing import capture_logs

from strikewatch.core.instant import SECOND
from strikewatch.service.status import REPORT_EVERY_NS, StatusLog
from strikewatch.service.step_journal import StepJournal
from strikewatch.sources.mapping import PassedOver, SourceHealth
from strikewatch.sources.mqtt import CONNECTING, Message, Status
from strikewatch.storage.commit.store import Store
from strikewatch.web.live.worker_stats import WorkerStats
from tests.service.bench import GivenMessages, worker_of

NOW = 1_772_608_500_000_000_000
WORKER: Any = SimpleNamespace(messages=0, rejected=Counter(), source_health=())


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


def test_a_source_with_many_messages_and_no_value_is_reported_once() -> None:
    """A misspelt name is passed over without an error, so this is the only sign of it."""
    source = SourceHealth("telem", messages=99, passed_over={PassedOver("name", "P_SUPLY"): 99})
    worker: Any = SimpleNamespace(messages=0, rejected=Counter(), source_health=(source,))
    watch = StatusLog(lambda: 0)
    connected = Status(connected=True, since_ns=0, reason="connected")
    with capture_logs() as said:
        watch.update(connected, worker)
        assert not [one for one in said if one["event"] == "source_without_values"]
        source.messages = 100
        watch.update(connected, worker)
        watch.update(connected, worker)
    [warning] = [one for one in said if one["event"] == "source_without_values"]
    assert warning["passed_over"] == ["P_SUPLY"]


def test_a_step_reports_the_wait_of_its_oldest_message_until_it_is_acknowledged(tmp_path: Path) -> None:
    clock = [10.0]
    stats = WorkerStats(lambda: clock[0])
    durations: list[float] = []
    stats.on_step = durations.append
    lags: list[float] = []
    received = [NOW - 4 * SECOND, NOW - SECOND]
    topic, body = "strikewatch/fennick-hollow/HB-01/events", b"{}"
    source = GivenMessages([Message(topic, body, at, 0, 1, 1, False) for at in received])
    store = Store(tmp_path / "watch.db")

    class SlowJournal(StepJournal):
        has_refused = True

        def check(self, message: Message) -> None:  # noqa: ARG002
            clock[0] += 0.25
            lags.append(stats.lag_s)

    worker = worker_of(store, source, lambda: NOW, journal=SlowJournal(), stats=stats)
    worker.turn(0.0)
    assert lags == [4.25, 4.5]
    assert stats.lag_s == 0.0
    worker.turn(0.0)
    store.close()
    assert durations == [0.5], "a turn without messages is not a step"
