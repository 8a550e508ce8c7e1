"""Listing, resending, testing and switching on deliveries, with real databases, servers and processes."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from strikewatch.cli import main
from strikewatch.errors import Unknown
from strikewatch.storage.engines.shared import SharedDatabase
from strikewatch.storage.outbox import deliveries, outcomes
from strikewatch.storage.outbox.messages import Outbox
from tests.receiver import Answer, Receiver
from tests.sinks.bench import KEY, SECRET, START, Clock, bench_with


def test_parked_deliveries_are_resent_completely_and_in_order_with_recorded_attempts(
    path: Path, clock: Clock
) -> None:
    """Another process resends; the running dispatcher notices it."""
    script = [500, 500, 200]
    with (
        Receiver(KEY, script, clock.wall_s) as receiver,
        bench_with(path, clock, receiver, retry_s=(5,)) as bench,
        SharedDatabase(path) as shared,
    ):
        bench.commit((1, "raised"), (1, "escalated"), (1, "cleared"))
        bench.until(lambda: bench.rows()[0][1] == 1)
        bench.advance(5)
        bench.until(lambda: [state for state, *_ in bench.rows()] == ["parked"] * 3)
        with shared.write() as connection:
            assert deliveries.send_again(connection, clock.now, numbers=[2]) == 3
        bench.until(lambda: [state for state, *_ in bench.rows()] == ["sent"] * 3)
        steps = [event["type"].split(".")[2] for event in receiver.events(5)]
        assert steps == ["raised", "raised", "raised", "escalated", "cleared"]
        assert receiver.received[0].name == receiver.received[2].name
        with shared.read() as connection:
            delivery, tried = deliveries.look_up(connection, 1)
            assert [one.outcome for one in tried] == ["HTTP 500", "HTTP 500", "HTTP 200"]
            assert [one.at_ns for one in tried] == [START, clock.now, clock.now]
            assert all(one.took_us > 0 for one in tried)
            assert "connected to 127.0.0.1 port" in tried[0].trace
            assert (delivery.state, delivery.attempts, delivery.json()["hammer"]) == ("sent", 1, "HB-01")


def test_a_resent_delivery_is_not_overtaken_by_a_new_one(path: Path, clock: Clock) -> None:
    """Both are in the outbox before the dispatcher polls: woken for the new one, it also finds the old one."""
    script = [500, 200]
    with (
        Receiver(KEY, script, clock.wall_s) as receiver,
        bench_with(path, clock, receiver, retry_s=()) as bench,
        SharedDatabase(path) as shared,
    ):
        bench.commit((1, "raised"))
        bench.until(lambda: bench.rows()[0][0] == "parked")
        with shared.write() as connection:
            deliveries.send_again(connection, clock.now, endpoint="end0")
        bench.commit((1, "cleared"))
        steps = [event["type"].split(".")[2] for event in receiver.events(3)]
        assert steps == ["raised", "raised", "cleared"]


def test_an_endpoint_can_be_switched_on_while_the_dispatcher_runs(path: Path, clock: Clock) -> None:
    with (
        Receiver(KEY, [410, 200], clock.wall_s) as receiver,
        bench_with(path, clock, receiver) as bench,
        SharedDatabase(path) as shared,
    ):
        bench.commit((1, "raised"))
        bench.until(lambda: "end0" in bench.dispatcher.switched_off)
        with shared.write() as connection:
            assert deliveries.switch_on(connection, "end0")
            assert not deliveries.switch_on(connection, "end0")
        bench.until(lambda: not bench.dispatcher.switched_off)
        bench.commit((1, "cleared"), (2, "raised"))
        receiver.wait_for(2)
        bench.until(lambda: [state for state, *_ in bench.rows()] == ["parked", "parked", "sent"])
        with shared.write() as connection:
            assert deliveries.send_again(connection, clock.now, endpoint="end0") == 2
        steps = [event["type"].split(".")[2] for event in receiver.events(4)]
        assert steps == ["raised", "raised", "raised", "cleared"]


def test_a_test_delivery_goes_through_the_outbox_and_is_attempted_once(path: Path, clock: Clock) -> None:
    with (
        Receiver(KEY, [503, 200], clock.wall_s) as receiver,
        bench_with(path, clock, receiver) as bench,
        SharedDatabase(path) as shared,
    ):
        for expected in ("parked", "sent"):
            with shared.write() as connection:
                number = deliveries.queue_test(connection, "end0", clock.now)
            bench.until(lambda n=number, e=expected: bench.rows()[n - 1][0] == e)
        first, second = receiver.events(2)
        assert first["type"] == second["type"] == "strikewatch.test"
        assert first["data"]["endpoint"] == "end0"
        bench.advance(10**6)
        with shared.write() as connection:
            assert deliveries.send_again(connection, clock.now, endpoint="end0") == 0


def test_deliveries_are_found_by_endpoint_state_alert_and_time(path: Path, clock: Clock) -> None:
    with Receiver(KEY, [200], clock.wall_s) as one, Receiver(KEY, [500], clock.wall_s) as two:
        with bench_with(path, clock, one, two) as bench:
            bench.commit((1, "raised"), (2, "raised"))
            bench.until(lambda: sum(attempts for (attempts,) in bench.rows("attempts")) == 4)
            bench.dispatcher.stop()
        with SharedDatabase(path) as shared, shared.read() as connection:
            found = deliveries.search(connection, endpoint="end0")
            assert [(each.number, each.state) for each in found] == [(3, "sent"), (1, "sent")]
            assert {each.endpoint for each in deliveries.search(connection, state="waiting")} == {"end1"}
            (alert,) = {each.alert for each in found if each.body["hammer"] == "HB-02"}
            assert len(deliveries.search(connection, alert=alert[:6])) == 2
            assert len(deliveries.search(connection, limit=3)) == 3
            queued = found[0].created
            assert len(deliveries.search(connection, begin=queued, end=queued + 1)) == 4
            assert deliveries.search(connection, begin=queued + 1) == []
            assert deliveries.search(connection, end=queued) == []
            with pytest.raises(Unknown, match="no delivery 99"):
                deliveries.look_up(connection, 99)


def test_a_bounded_number_of_attempts_is_kept(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(outcomes, "MAX_ATTEMPTS_KEPT", 5)
    monkeypatch.setattr(outcomes, "DELETE_EVERY", 4)
    with Receiver(KEY, now_s=clock.wall_s) as receiver, bench_with(path, clock, receiver) as bench:
        bench.commit(*((n, "raised") for n in range(12)))
        bench.until(lambda: Outbox(bench.store, "end0").counts() == {"sent": 12})
        with bench.store.read() as connection:
            kept = connection.exec_driver_sql("select outbox_seq from attempts order by seq").fetchall()
        assert 5 <= len(kept) < 5 + 4
        assert [number for (number,) in kept] == list(range(13 - len(kept), 13))


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with Receiver(KEY, [200]) as one:
        yield one


def config_for(folder: Path, url: str, more: str = "") -> Path:
    (folder / "secret").write_text(SECRET)
    file = folder / "settings.toml"
    file.write_text(
        f'store.path = "{folder}/watch.db"\n[[webhooks]]\nname = "office"\nurl = "{url}"\n'
        f'secret_file = "{folder}/secret"\nallow_private = ["127.0.0.0/8"]\n{more}'
    )
    return file


class CommandRunner:
    """Runs commands and keeps their output."""

    def __init__(self, config: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self._config, self._capsys = config, capsys

    def __call__(self, *arguments: str) -> tuple[int, str, str]:
        code = main.main(["deliveries", *arguments, "--config", str(self._config)])
        output = self._capsys.readouterr()
        return code, output.out, output.err

    def json(self, *arguments: str) -> list[dict[str, Any]]:
        _, out, _ = self(*arguments, "--json")
        return [json.loads(line) for line in out.splitlines()]


def test_the_command_tests_an_endpoint_without_a_running_processor(
    tmp_path: Path, receiver: Receiver, capsys: pytest.CaptureFixture[str]
) -> None:
    run = CommandRunner(config_for(tmp_path, receiver.url), capsys)
    code, out, _ = run("test", "office")
    assert code == 0
    assert "127.0.0.1 is 127.0.0.1\n" in out
    assert "answered HTTP 200" in out
    assert out.endswith("Accepted.\n")
    assert receiver.events(1)[0]["type"] == "strikewatch.test"
    (told,) = run.json("test", "office")
    assert (told["state"], told["tried"][0]["outcome"], told["off"]) == ("sent", "HTTP 200", None)
    listed = run.json("list")
    assert [(one["number"], one["step"], one["state"]) for one in listed] == [
        (2, "test", "sent"),
        (1, "test", "sent"),
    ]
    _, out, err = run("list", "--limit", "1", "--json")
    assert (len(out.splitlines()), err) == (1, "Only the newest 1; --limit lists more.\n")
    (shown,) = run.json("show", "1")
    assert shown["tried"][0]["took_ms"] > 0
    assert "office" in run("list")[1]
    assert "HTTP 200" in run("show", "1")[1]


@pytest.mark.parametrize(
    ("url", "more", "output"),
    [
        ("http://127.0.0.1:1/", "", "Connection refused"),
        ("http://no-such-host.invalid/", "", "looking up no-such-host.invalid"),
        (
            "http://10.9.8.7/",
            "",
            "10.9.8.7 is private; if this is intended, add its network to allow_private",
        ),
        ("http://8.8.8.8/", "", "use https, or set allow_http"),
    ],
)
def test_the_command_names_the_cause_of_a_failed_test(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], url: str, more: str, output: str
) -> None:
    code, out, _ = CommandRunner(config_for(tmp_path, url, more), capsys)("test", "office")
    assert code == 1
    assert output in out
    assert out.endswith("Not accepted.\n")


def test_a_410_to_a_test_switches_the_endpoint_off(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Receiver(KEY, [Answer(410), Answer(200)]) as receiver:
        run = CommandRunner(config_for(tmp_path, receiver.url), capsys)
        code, out, _ = run("test", "office")
        assert code == 1
        assert "Again: strikewatch deliveries on office" in out
        assert run("test", "office")[0] == 1
        assert len(receiver.received) == 1
        code, _, err = run("send", "--endpoint", "office")
        assert (code, "first strikewatch deliveries on office" in err) == (2, True)
        assert run("on", "office")[1].startswith("office is on again.")
        assert run("test", "office")[0] == 0


def test_unknown_names_are_reported(
    tmp_path: Path, receiver: Receiver, capsys: pytest.CaptureFixture[str]
) -> None:
    run = CommandRunner(config_for(tmp_path, receiver.url), capsys)
    code, _, err = run("list")
    assert (code, "there is no database" in err) == (1, True)
    code, _, err = run("test", "offce")
    assert (code, err) == (2, "strikewatch: the settings name no endpoint 'offce'; there are: office\n")
    run("test", "office")
    assert "no delivery 7" in run("show", "7")[2]
    assert "None of these is parked" in run("send", "1")[1]
