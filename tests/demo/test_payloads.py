"""Gateways send what the contract allows: the real decoder returns the rows that were sent."""

from itertools import islice

import numpy as np
import pytest

from strikewatch.core.batch import Rows
from strikewatch.core.instant import SECOND
from strikewatch.demo.day import START_NS, Message, hammer_messages, site_messages
from strikewatch.demo.feed import SENML, Form, millis, payloads
from strikewatch.demo.site import HAMMERS, SITE
from strikewatch.sources.decode import DecodedEvent, Samples, decode


def rows_of(count: int) -> Rows:
    """Return rows at 10 Hz with values not sampled, and a gap within a second."""
    rng = np.random.default_rng(4)
    tick = np.arange(count)
    time_ns = START_NS + (tick + 3 * (tick >= 22)) * (SECOND // 10)
    oil_c = np.where(tick % 10 == 3, np.round(rng.uniform(10.0, 90.0, count), 1), np.nan)
    return Rows(
        time_ns.astype(np.int64),
        {
            "active": rng.integers(0, 2, count).astype(np.float64),
            "pressure_bar": np.round(rng.uniform(0.0, 200.0, count) * 2.0) / 2.0,
            "oil_c": oil_c,
            "engine_rpm": np.where(tick % 10 == 0, 1800.0, np.nan),
        },
    )


@pytest.mark.parametrize(
    ("form", "off_bar", "off_c"),
    [("block", 0.0, 0.0), ("instant", 0.0, 0.0), ("senml", 1e-9, 0.0), ("imperial", 0.004, 0.003)],
)
def test_decoded_rows_are_the_rows_sent(form: Form, off_bar: float, off_c: float) -> None:
    """Exact in bar and degC; through psi and degF to the rounding of the gateway (0.05 psi, 0.005 degF)."""
    rows = rows_of(53)
    parts = []
    for due_ns, payload in payloads(rows, form, 0.1, "EX-23"):
        found = decode(f"strikewatch/{SITE}/HB-03/samples", payload, due_ns, "strikewatch")
        assert isinstance(found, Samples)
        assert not found.rejected
        assert not found.unknown
        assert due_ns == found.rows.time_ns[-1]
        assert len(found.rows) <= 10
        parts.append(found.rows)
    back = Rows.join(parts)
    assert back.time_ns.tolist() == rows.time_ns.tolist()
    for name, off in (("active", 0.0), ("pressure_bar", off_bar), ("oil_c", off_c), ("engine_rpm", 0.0)):
        np.testing.assert_allclose(back.columns[name], rows.columns[name], rtol=0.0, atol=off, err_msg=name)


def test_senml_units_are_registered() -> None:
    """Pa, Cel and 1/min are in RFC 8428's table of units (section 12.1, from memory); bar and rpm are not."""
    assert {unit for _, unit, _ in SENML.values()} == {"", "Pa", "Cel", "1/min"}


def test_millis_are_rfc_3339() -> None:
    assert millis(START_NS + 123_000_000) == "2026-07-14T11:00:00.123Z"


@pytest.mark.parametrize("name", HAMMERS)
def test_every_gateway_sends_what_the_contract_allows(name: str) -> None:
    """Half an hour of each, received when due: all decoded, in order, none later than the clock."""
    newest = 0
    for message in islice(hammer_messages(HAMMERS[name], START_NS, 1), 1800):
        topic, due_ns = f"strikewatch/{message.topic}", message.due_ns
        found = decode(topic, message.payload, due_ns, "strikewatch", max_ahead=0)
        if isinstance(found, DecodedEvent):
            assert found.event.hammer == name
            assert not found.unknown
        else:
            assert not found.rejected
            assert found.rows.time_ns[0] > newest
            assert (np.diff(found.rows.time_ns) > 0).all()
            newest = int(found.rows.time_ns[-1])


def messages_until(minutes: float, seed: int = 1) -> list[Message]:
    messages = []
    for message in site_messages(START_NS, seed):
        if message.due_ns > START_NS + round(minutes * 60) * SECOND:
            return messages
        messages.append(message)
    raise AssertionError("the day has no end")


def test_the_day_is_in_order_and_the_same_for_a_seed() -> None:
    day = messages_until(4.0)
    assert [message.due_ns for message in day] == sorted(message.due_ns for message in day)
    assert {message.hammer for message in day} == set(HAMMERS)
    assert day == messages_until(4.0)
    assert day != messages_until(4.0, seed=2)


def test_one_part_of_the_day_follows_another() -> None:
    """After four hours HB-06 continues: no instant twice or out of order, and a new sign-on."""
    border_ns = START_NS + 4 * 3600 * SECOND
    times, signed_on = [], 0
    for message in hammer_messages(HAMMERS["HB-06"], START_NS, 1):
        if message.due_ns > border_ns + 900 * SECOND:
            break
        if message.topic.endswith("events"):
            signed_on += message.due_ns >= border_ns and b"sign_on" in message.payload
        else:
            times.append(message.due_ns)
    assert signed_on == 1
    assert (np.diff(times) > 0).all()
    assert times[-1] > border_ns + 600 * SECOND


def test_the_backlog_of_hb_04_is_one_message() -> None:
    messages = list(islice(hammer_messages(HAMMERS["HB-04"], START_NS, 1), 4))
    (block,) = [
        message for message in messages if message.topic.endswith("samples") and message.due_ns == START_NS
    ]
    found = decode(f"strikewatch/{block.topic}", block.payload, START_NS, "strikewatch")
    assert isinstance(found, Samples)
    assert set(found.rows.columns) == {"engine_rpm", "oil_c"}
    assert len(found.rows) == 1404
    assert found.rows.time_ns[0] == START_NS - round(1.95 * 3600) * SECOND
    assert len(block.payload) < 262_144


def test_hb_06_is_silent_for_a_while() -> None:
    due = [message.due_ns for message in messages_until(14.0) if message.topic == f"{SITE}/HB-06/samples"]
    assert np.diff(due).max() >= 90 * SECOND
