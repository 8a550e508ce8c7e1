"""The worked examples of the guide: their captures, through a real broker, give exactly the results shown."""

import tomllib
from pathlib import Path

import pytest

from strikewatch.core import instant
from strikewatch.service.captures import Listener, read_captures
from strikewatch.sources.mapping import check_tables
from strikewatch.sources.mapping.authoring.trial import Captured, Trial, Trials
from strikewatch.sources.mqtt.settings import Settings
from tests.broker import Broker
from tests.guide.documents import BLOCKS, Block
from tests.mqtt_client import connected

RECEIVED = instant.parse("2026-03-04T07:15:30Z")
GUIDE = [block for block in BLOCKS if block.document == "gateway.md"]
EXAMPLES = [GUIDE[k : k + 3] for k, block in enumerate(GUIDE) if block.form == "text capture"]


def test_there_are_eight_each_with_its_table_and_result() -> None:
    assert len(EXAMPLES) == 8
    assert all(
        [each.form for each in one] == ["text capture", "toml sources", "text result"] for one in EXAMPLES
    )


def shown(trial: Trial) -> list[str]:
    """Return what a message gives, as in the guide."""
    lines = []
    for (site, hammer), at, values in trial.rows():
        parts = [f"{name}={_text(value)}" for name, value in sorted(values.items()) if value is not None]
        lines.append(" ".join([instant.text(at)[11:23], f"{site}/{hammer}", *parts]))
    for event in trial.mapped.events:
        fields = [f"{key}={value}" for key, value in event.fields.items()]
        at = instant.text(event.time)[11:19]
        lines.append(" ".join([f"{at}.000", f"{event.site}/{event.hammer}", "event", event.kind, *fields]))
    for passed in trial.mapped.passed_over:
        what = "by where" if passed.what == "where" else passed.what
        lines.append(f"passed over {what} {passed.name}".rstrip())
    lines += [f"rejected {reject.error}" for reject in trial.mapped.rejects]
    return lines


def _text(value: float | bool) -> str:
    return str(value).lower() if isinstance(value, bool) else f"{value:.6g}"


def _sorted_values(line: str) -> str:
    """Return a line with the values of a row in alphabetical order."""
    words = line.split(" ")
    if "=" not in line or "event" in words or words[0] == "rejected":
        return line
    return " ".join(
        [*(word for word in words if "=" not in word), *sorted(word for word in words if "=" in word)]
    )


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda each: each[1].text.partition("\n")[0])
def test_an_example_gives_every_value_and_every_reject_through_a_real_broker(
    example: list[Block], tmp_path: Path
) -> None:
    capture, table, result = (each.text for each in example)
    tables, problems = check_tables(tomllib.loads(table))
    assert not problems
    [source] = tables.values()
    captured = tmp_path / "capture"
    captured.write_text(capture, encoding="utf-8")
    sent = read_captures([captured], RECEIVED, None, source)
    assert len(sent) == len(capture.splitlines())
    with Broker(tmp_path) as broker:
        settings = Settings(host=broker.host, port=broker.port, version="3.1.1")
        with Listener(settings, ["#"]) as listener, connected(broker) as gateway:
            for message in sent:
                gateway.publish(message.topic, message.payload, 1)
            heard: list[Captured] = []
            for message in listener.messages(10):
                heard.append(message._replace(received=RECEIVED + len(heard)))
                if len(heard) == len(sent):
                    break
    trials = Trials(tables)
    found = [line for message in heard for line in shown(trials.take(message))]
    assert found == [_sorted_values(line) for line in result.splitlines()]
