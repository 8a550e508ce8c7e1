"""What people ask of deliveries: look, send again, try the way, switch on. On real databases, servers and processes."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from strikewatch.cli import main
from strikewatch.errors import Unknown
from strikewatch.storage.engines.shared import SharedDatabase
from strikewatch.storage.outbox import deliveries, messages
from strikewatch.storage.outbox.messages import Outbox
from tests.receiver import Answer, Receiver
from tests.sinks.yard import KEY, SECRET, START, Clock, yard_with


def test_what_is_parked_is_sent_again_whole_and_in_order_with_attempts_on_record(
    path: Path, clock: Clock
) -> None:
    """By another process, beside a courier at work, which takes it up by itself."""
    script = [500, 500, 200]
    with (
        Receiver(KEY, script, clock.wall_s) as receiver,
        yard_with(path, clock, receiver, retry_s=(5,)) as yard,
        SharedDatabase(path) as beside,
    ):
        yard.tell((1, "raised"), (1, "escalated"), (1, "cleared"))
        yard.until(lambda: yard.rows()[0][1] == 1)
        yard.advance(5)
        yard.until(lambda: [state for state, *_ in yard.rows()] == ["parked"] * 3)
        with beside.write() as connection:
            assert deliveries.send_again(connection, clock.now, numbers=[2]) == 3
        yard.until(lambda: [state for state, *_ in yard.rows()] == ["sent"] * 3)
        steps = [event["type"].split(".")[2] for event in receiver.events(5)]
        assert steps == ["raised", "raised", "raised", "escalated", "cleared"]
        assert receiver.received[0].name == receiver.received[2].name
        with beside.read() as connection:
            delivery, tried = deliveries.look_up(connection, 1)
            assert [one.outcome for one in tried] == ["HTTP 500", "HTTP 500", "HTTP 200"]
            assert [one.at_ns for one in tried] == [START, clock.now, clock.now]
            assert all(one.took_us > 0 for one in tried)
            assert "connected to 127.0.0.1 port" in tried[0].trace
            assert (delivery.state, delivery.attempts, delivery.json()["hammer"]) == ("sent", 1, "HB-01")


def test_what_is_sent_again_is_not_overtaken_by_what_comes_at_the_same_moment(
    path: Path, clock: Clock
) -> None:
    """Both are in the outbox before the courier looks: in a wake for the new one it finds the old one too."""
    script = [500, 200]
    with (
        Receiver(KEY, script, clock.wall_s) as receiver,
        yard_with(path, clock, receiver, retry_s=()) as yard,
        SharedDatabase(path) as beside,
    ):
        yard.tell((1, "raised"))
        yard.until(lambda: yard.rows()[0][0] == "parked")
        with beside.write() as connection:
            deliveries.send_again(connection, clock.now, endpoint="end0")
        yard.tell((1, "cleared"))
        steps = [event["type"].split(".")[2] for event in receiver.events(3)]
        assert steps == ["raised", "raised", "cleared"]


def test_a_switched_off_endpoint_is_switched_on_beside_a_courier_at_work(path: Path, clock: Clock) -> None:
    with (
        Receiver(KEY, [410, 200], clock.wall_s) as receiver,
        yard_with(path, clock, receiver) as yard,
        SharedDatabase(path) as beside,
    ):
        yard.tell((1, "raised"))
        yard.until(lambda: "end0" in yard.courier.switched_off)
        with beside.write() as connection:
            assert deliveries.switch_on(connection, "end0")
            assert not deliveries.switch_on(connection, "end0")
        yard.until(lambda: not yard.courier.switched_off)
        yard.tell((1, "cleared"), (2, "raised"))
        receiver.wait_for(2)
        yard.until(lambda: [state for state, *_ in yard.rows()] == ["parked", "parked", "sent"])
        with beside.write() as connection:
            assert deliveries.send_again(connection, clock.now, endpoint="end0") == 2
        steps = [event["type"].split(".")[2] for event in receiver.events(4)]
        assert steps == ["raised", "raised", "raised", "cleared"]


def test_a_test_goes_the_way_of_alerts_and_is_tried_once(path: Path, clock: Clock) -> None:
    with (
        Receiver(KEY, [503, 200], clock.wall_s) as receiver,
        yard_with(path, clock, receiver) as yard,
        SharedDatabase(path) as beside,
    ):
        for expected in ("parked", "sent"):
            with beside.write() as connection:
                number = deliveries.queue_test(connection, "end0", clock.now)
            yard.until(lambda n=number, e=expected: yard.rows()[n - 1][0] == e)
        first, second = receiver.events(2)
        assert first["type"] == second["type"] == "strikewatch.test"
        assert first["data"]["endpoint"] == "end0"
        yard.advance(10**6)
        with beside.write() as connection:
            assert deliveries.send_again(connection, clock.now, endpoint="end0") == 0


def test_deliveries_are_found_by_endpoint_state_and_alert(path: Path, clock: Clock) -> None:
    with Receiver(KEY, [200], clock.wall_s) as one, Receiver(KEY, [500], clock.wall_s) as two:
        with yard_with(path, clock, one, two) as yard:
            yard.tell((1, "raised"), (2, "raised"))
            yard.until(lambda: sum(attempts for (attempts,) in yard.rows("attempts")) == 4)
            yard.courier.stop()
        with SharedDatabase(path) as beside, beside.read() as connection:
            found = deliveries.search(connection, endpoint="end0")
            assert [(each.number, each.state) for each in found] == [(3, "sent"), (1, "sent")]
            assert {each.endpoint for each in deliveries.search(connection, state="waiting")} == {"end1"}
            (alert,) = {each.alert for each in found if each.body["hammer"] == "HB-02"}
            assert len(deliveries.search(connection, alert=alert[:6])) == 2
            assert len(deliveries.search(connection, limit=3)) == 3
            with pytest.raises(Unknown, match="no delivery 99"):
                deliveries.look_up(connection, 99)


def test_attempts_are_kept_up_to_a_bound(path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(messages, "_DELETE_OLD_ATTEMPTS", messages.delete_attempts_beyond(5))
    with Receiver(KEY, now_s=clock.wall_s) as receiver, yard_with(path, clock, receiver) as yard:
        yard.tell(*((n, "raised") for n in range(12)))
        yard.until(lambda: Outbox(yard.store, "end0").counts() == {"sent": 12})
        with yard.store.read() as connection:
            kept = connection.exec_driver_sql("select outbox_seq from attempts order by seq").fetchall()
        assert [number for (number,) in kept] == [8, 9, 10, 11, 12]


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


class Say:
    """Runs a command and holds what it said."""

    def __init__(self, config: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self._config, self._capsys = config, capsys

    def __call__(self, *arguments: str) -> tuple[int, str, str]:
        code = main.main(["deliveries", *arguments, "--config", str(self._config)])
        said = self._capsys.readouterr()
        return code, said.out, said.err

    def json(self, *arguments: str) -> list[dict[str, Any]]:
        _, out, _ = self(*arguments, "--json")
        return [json.loads(line) for line in out.splitlines()]


def test_the_command_tests_an_endpoint_where_no_processor_runs(
    tmp_path: Path, receiver: Receiver, capsys: pytest.CaptureFixture[str]
) -> None:
    say = Say(config_for(tmp_path, receiver.url), capsys)
    code, out, _ = say("test", "office")
    assert code == 0
    assert "127.0.0.1 is 127.0.0.1\n" in out
    assert "answered HTTP 200" in out
    assert out.endswith("Accepted.\n")
    assert receiver.events(1)[0]["type"] == "strikewatch.test"
    (told,) = say.json("test", "office")
    assert (told["state"], told["tried"][0]["outcome"], told["off"]) == ("sent", "HTTP 200", None)
    listed = say.json("list")
    assert [(one["number"], one["step"], one["state"]) for one in listed] == [
        (2, "test", "sent"),
        (1, "test", "sent"),
    ]
    (shown,) = say.json("show", "1")
    assert shown["tried"][0]["took_ms"] > 0
    assert "office" in say("list")[1]
    assert "HTTP 200" in say("show", "1")[1]


@pytest.mark.parametrize(
    ("url", "more", "said"),
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
def test_what_is_in_the_way_is_said_plainly(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], url: str, more: str, said: str
) -> None:
    code, out, _ = Say(config_for(tmp_path, url, more), capsys)("test", "office")
    assert code == 1
    assert said in out
    assert out.endswith("Not accepted.\n")


def test_an_endpoint_that_says_410_to_a_test_is_off_until_switched_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Receiver(KEY, [Answer(410), Answer(200)]) as receiver:
        say = Say(config_for(tmp_path, receiver.url), capsys)
        code, out, _ = say("test", "office")
        assert code == 1
        assert "Again: strikewatch deliveries on office" in out
        assert say("test", "office")[0] == 1
        assert len(receiver.received) == 1
        code, _, err = say("send", "--endpoint", "office")
        assert (code, "first strikewatch deliveries on office" in err) == (2, True)
        assert say("on", "office")[1].startswith("office is on again.")
        assert say("test", "office")[0] == 0


def test_names_that_do_not_exist_are_told(
    tmp_path: Path, receiver: Receiver, capsys: pytest.CaptureFixture[str]
) -> None:
    say = Say(config_for(tmp_path, receiver.url), capsys)
    code, _, err = say("list")
    assert (code, "there is no database" in err) == (1, True)
    code, _, err = say("test", "offce")
    assert (code, err) == (2, "strikewatch: the settings name no endpoint 'offce'; there are: office\n")
    say("test", "office")
    assert "no delivery 7" in say("show", "7")[2]
    assert "Nothing of that is parked" in say("send", "1")[1]
