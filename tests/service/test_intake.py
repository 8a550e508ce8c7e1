"""What the intake makes of a step's messages does not depend on whether they are scanned or decoded strictly."""

import json
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.instant import SECOND
from strikewatch.service.intake import Decoder, Intake, Step
from strikewatch.settings.tree import Settings
from strikewatch.sources.decode.scanner import Run
from strikewatch.sources.mqtt import Message
from tests.profiles import examples
from tests.sources.malformed import RECEIVED, bits, payloads

HAMMERS = ("HB-01", "HB-02", "HB-03")


class NothingScanned:
    """In place of the scanner, so that every message is decoded strictly."""

    def scan(self, *_: Any) -> list[Run]:
        return []


def intake(*, scanned: bool) -> tuple[Decoder, Intake]:
    own = {"HB-03": {"on_change": {"hold_s": {"oil_c": 600.0}}}}
    given_settings = Settings.model_validate({"hammers": own})
    made = Intake(given_settings, lambda: RECEIVED, lambda: RECEIVED, lambda _event: False, RECEIVED)
    decoder = Decoder(given_settings, made)
    if not scanned:
        decoder._scanner = NothingScanned()  # type: ignore[assignment]
    return decoder, made


def _time(tenths: int) -> str:
    return instant.text(RECEIVED - 60 * SECOND + tenths * SECOND // 10)


tenths = st.integers(0, 40)
single = st.builds(
    lambda at, oil, firing: {"time": _time(at), "active": firing, "oil_c": oil},
    tenths,
    st.sampled_from([61.5, 62, None]),
    st.booleans(),
)
block = st.builds(
    lambda at, bar: {"time": _time(at), "step_s": 0.1, "pressure_bar": bar, "oil_f": 140.5},
    tenths,
    st.lists(st.sampled_from([140.25, 20, None]), min_size=1, max_size=4),
)
held = single.map(lambda sample: {**sample, "hold_s": {"oil_c": 600}})
unknown = single.map(lambda sample: {**sample, "my_key": 1})
array = st.lists(single | block, min_size=1, max_size=3)
any_sample = single | single | block | block | array | held | unknown
sample_payloads = any_sample.map(lambda value: json.dumps(value).encode())
event_payloads = st.sampled_from(
    [
        b'{"event":"connection","state":"lost"}',
        json.dumps({"time": _time(20), "event": "sign_on", "operator": "op-14"}).encode(),
        json.dumps({"time": _time(900), "event": "check", "result": "ok"}).encode(),
        b'{"event":"lunch"}',
    ]
)
malformed = [
    payload for (topic, payload), _ in zip(payloads(11), range(300), strict=False) if "samples" in topic
]


@st.composite
def steps(draw: st.DrawFn) -> list[list[Message]]:
    """Draw the messages of some steps: of several hammers, some unusual, some malformed, with events between."""
    made: list[list[Message]] = []
    for _ in range(draw(st.integers(1, 3))):
        made.append([])
        for _ in range(draw(st.integers(0, 8))):
            hammer = draw(st.sampled_from([*HAMMERS, "HB+01"]))
            kind = draw(st.sampled_from(["samples"] * 5 + ["events"]))
            payload = draw(
                sample_payloads | st.sampled_from(malformed) if kind == "samples" else event_payloads
            )
            age = draw(st.sampled_from([0, 0, 3600 * SECOND]))
            message = Message(
                f"strikewatch/fennick-hollow/{hammer}/{kind}",
                payload,
                RECEIVED - age,
                1,
                1,
                draw(st.integers(1, 2)),
                draw(st.booleans()),
            )
            made[-1].append(message)
    return made


def outcome(decoder: Decoder, one: Intake, messages: list[Message]) -> Any:
    step = Step(RECEIVED)
    decoder.decode(messages, step)
    rows = {key: bits(Rows.join(parts)) for key, parts in step.rows.items()}
    one.order_rows(step, RECEIVED)
    rejects = sorted((each.topic, each.payload, each.reason, each.detail, each.rows) for each in step.rejects)
    saved = {
        key: (one.hold.saved(key), one.reorderer.saved(key), bits(one.reorderer.waiting(key)))
        for key in step.rows
    }
    return rows, rejects, step.events, step.redelivered, saved, one.clock._witnesses


@settings(max_examples=examples(30))
@given(steps())
def test_scanned_and_strictly_decoded_steps_are_equal(made: list[list[Message]]) -> None:
    """Rows, rejects, events with their times, duplicates, and the saved state."""
    scanning, strict = intake(scanned=True), intake(scanned=False)
    for messages in made:
        assert outcome(*scanning, messages) == outcome(*strict, messages)


def test_the_messages_of_a_hammer_keep_their_order() -> None:
    """Of two values for one channel and instant, the first one counts, however each message is decoded."""
    usual = b'{"time":"2026-03-04T07:15:00Z","oil_c":61}'
    unusual = b'{"time":"2026-03-04T07:15:00Z","oil_c":62e0}'
    for first, second, expected in ((usual, unusual, 61.0), (unusual, usual, 62.0)):
        (decoder, one), step = intake(scanned=True), Step(RECEIVED)
        topic = "strikewatch/fennick-hollow/HB-01/samples"
        decoder.decode([Message(topic, each, RECEIVED, 1, 1, 1, False) for each in (first, second)], step)
        one.order_rows(step, RECEIVED)
        rows = one.reorderer.flush(("fennick-hollow", "HB-01"))
        assert rows.columns["oil_c"].tolist() == [expected]
