"""What goes wrong live is said in the log, and what was half done when it was killed goes on where it was."""

from pathlib import Path
from typing import Any

import pytest

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.sinks.settings import decode_secret
from tests.broker import Broker
from tests.receiver import Receiver
from tests.service.processor import SECRET, Gateway, Processor, now_ns, until
from tests.service.test_live import fire, rest


def test_a_wrong_password_is_logged_and_a_right_one_is_used(tmp_path: Path) -> None:
    (tmp_path / "password").write_text("wrong")
    mine: dict[str, Any] = {"username": "processor", "password_file": str(tmp_path / "password")}
    with (
        Broker(tmp_path / "broker", users={"processor": "right"}) as broker,
        Processor(tmp_path / "processor", broker, mqtt=mine) as processor,
    ):
        processor.start(connected=False)
        (line,) = until(lambda: processor.lines("broker_lost"))
        assert "refuses the user name or the password" in line["problem"]
        (tmp_path / "password").write_text("right")
        until(lambda: processor.lines("broker_connected"))
        assert processor.stop() == 0


def test_two_processors_with_one_client_id_report_it_and_both_go_on(broker: Broker, tmp_path: Path) -> None:
    """Each with a database of its own: the broker serves the newcomer, and so on in turns."""
    shared = {"client_id": "shared", "takeover_limit": 2, "reconnect_min_s": 0.2, "reconnect_max_s": 0.5}
    both = [Processor(tmp_path / name, broker, mqtt=shared) for name in ("one", "two")]
    try:
        for processor in both:
            processor.start()
        until(lambda: all(len(one.lines("broker_taken_over")) >= 2 for one in both))
        assert not any(one.ended for one in both)
    finally:
        for processor in both:
            processor.end()


def test_rows_that_wait_for_late_ones_survive_a_kill(
    broker: Broker, gateway: Gateway, tmp_path: Path
) -> None:
    """Killed while one of the 15 s is missing; it comes later, and the onset is that of complete data."""
    start = now_ns() - 60 * SECOND
    with Processor(tmp_path / "processor", broker, intake={"reorder_s": 20.0}).start() as processor:
        rest(gateway, "HB-03", start, -30, 0)
        fire(gateway, "HB-03", start, 0, 12)
        processor.wait_until_processed("HB-03", start + 12 * SECOND - SECOND // 10)
        ((plain,),) = processor.query("select length(state) from hammer_state")
        fire(gateway, "HB-03", start, 13, 15)
        until(lambda: processor.query("select length(state) from hammer_state")[0][0] > plain)
        processor.kill()
        processor.start()
        fire(gateway, "HB-03", start, 12, 13)
        fire(gateway, "HB-03", start, 15, 20)
        rest(gateway, "HB-03", start, 20, 60)
        until(lambda: [line["step"] for line in processor.lines("alert")] == ["raised", "cleared"])
        assert processor.stop() == 0
        (only,) = processor.alerts()
        assert only["onset"] == instant.text(start + 15 * SECOND)
        assert only["cleared"] == instant.text(start + 20 * SECOND)
        assert only["evidence"]["firing_s"] == 20.0
        # The kill may come between a commit and its acknowledgements.
        assert {reason for reason, _ in processor.query("select reason, n from reject_counts")} <= {
            "duplicate"
        }


@pytest.mark.parametrize("end", ["stop", "kill"])
def test_the_greasing_timer_survives_a_restart(
    broker: Broker, gateway: Gateway, tmp_path: Path, end: str
) -> None:
    """15 s of firing are due, 8 before the restart and 7 after: overdue at that exact instant."""
    start = now_ns() - 60 * SECOND
    clock: dict[str, Any] = {"clock": "firing", "due_s": 10.0, "overdue_s": 15.0, "high_s": 60.0}
    with Processor(tmp_path / "processor", broker, None, **{"faults.grease": clock}).start() as processor:
        gateway.event("HB-03", start, "grease", strokes=[12, 12])
        fire(gateway, "HB-03", start, 0, 8)
        processor.wait_until_processed("HB-03", start + 7 * SECOND)
        getattr(processor, end)()
        processor.start()
        fire(gateway, "HB-03", start, 8, 18)
        found = until(lambda: [one for one in processor.alerts() if one["fault"] == "grease_overdue"])
        assert [one["onset"] for one in found] == [instant.text(start + 15 * SECOND)]
        assert processor.stop() == 0


def test_an_endpoint_that_answers_410_is_logged_and_the_rest_continues(
    broker: Broker, gateway: Gateway, tmp_path: Path
) -> None:
    """410 switches the endpoint off; alerts still reach the log and the store."""
    with (
        Receiver(decode_secret(SECRET), [410]) as receiver,
        Processor(tmp_path / "processor", broker, receiver.url).start() as processor,
    ):
        start = now_ns() - 60 * SECOND
        fire(gateway, "HB-03", start, 0, 16)
        until(lambda: processor.query("select off_ns from endpoints where off_ns is not null"))
        rest(gateway, "HB-03", start, 16, 20)
        until(lambda: [line["step"] for line in processor.lines("alert")] == ["raised", "cleared"])
        assert processor.stop() == 0
        assert len(receiver.received) == 1
