"""Mapped messages give the same rows however they are cut into steps, in any order within a scan, and sent twice."""

import json
import tomllib
from collections.abc import Sequence
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from strikewatch.core import instant
from strikewatch.core.batch import Key, Rows
from strikewatch.core.instant import SECOND
from strikewatch.service.intake import Decoder, Intake, Step
from strikewatch.settings.tree import Settings
from strikewatch.sources.mapping import Sources, check_tables
from strikewatch.sources.mqtt import Message
from tests.profiles import examples
from tests.sources.malformed import bits

START = instant.parse("2026-03-04T07:15:00Z")
NOW = START + 60 * SECOND
TABLES = """
[tags]
topic = "plc/{hammer}/{tag}"
time = { at = "@.t", as = "ms" }
site = "pit"
name = "{tag}"
value = "@.v"
[tags.channels]
active = { named = "run", on = [1], off = [0], hold_s = 20.0 }
pressure_bar = { named = "press", unit = "kPa" }
oil_c = { named = "oil" }
[names]
topic = "scada/{group}"
records = "$[*]"
time = { at = "@.t", as = "ms" }
site = "pit"
name = "@.id"
value = "@.v"
[names.channels]
pressure_bar = { named = "{hammer}.p" }
oil_c = { named = "{hammer}.oil" }
[blocks]
topic = "daq/{hammer}"
time = { at = "@.t", as = "ms" }
step_s = 0.1
site = "pit"
[blocks.channels]
pressure_bar = "@.p"
[badges]
topic = "cab/{hammer}"
time = { at = "@.t", as = "ms" }
site = "pit"
[badges.event]
event = { at = "@.way", words = { in = "sign_on", out = "sign_off" } }
operator = { at = "@.card", words = { x = "op-14" } }
"""
SCANS = 24


def message(topic: str, payload: Any, number: int) -> Message:
    return Message(topic, json.dumps(payload).encode(), NOW, number, 1, 1, redelivered=False)


def tag_messages() -> list[list[Message]]:
    """Return the messages of each scan: three tags of HB-01, and names of HB-02 and HB-03."""
    scans = []
    for k in range(SCANS):
        t = START // 1_000_000 + 500 * k
        tags = [("run", int(k % 9 < 6)), ("press", 15_000.0 + k), ("oil", 61.0)]
        scan = [message(f"plc/HB-01/{tag}", {"t": t, "v": value}, k) for tag, value in tags]
        names = [{"id": f"HB-0{n}.{what}", "t": t, "v": 60 + k} for n in (2, 3) for what in ("p", "oil")]
        scans.append([*scan, message("scada/7", names[:3], k), message("scada/8", names[3:], k)])
    return scans


def block_messages() -> list[Message]:
    found = []
    for k in range(6):
        t = START // 1_000_000 + 1000 * k
        found.append(message("daq/HB-04", {"t": t, "p": [100.0 + k] * 10}, k))
        own = {"time": instant.text((t + 950) * 1_000_000), "oil_c": 60 + k}
        found.append(message("strikewatch/pit/HB-04/samples", own, k))
        found.append(message("cab/HB-04", {"t": t + 960, "way": "in" if k % 2 else "out", "card": "x"}, k))
    return found


def results(
    messages: Sequence[Message], cuts: Sequence[int]
) -> dict[Key, tuple[Rows, list[tuple[str, int]]]]:
    """Process messages in steps that end at `cuts`; return each hammer's rows, and its events as they take effect."""
    tables, problems = check_tables(tomllib.loads(TABLES))
    assert not problems
    intake = Intake(Settings(), lambda: NOW, lambda: 0, lambda _event: False, 0)
    decoder = Decoder(Settings(), intake, sources=Sources(tables))
    rows: dict[Key, list[Rows]] = {}
    events: dict[Key, list[tuple[str, int]]] = {}
    ends = sorted({*cuts, len(messages)})
    for begin, end, now in [*zip([0, *ends], ends, [0] * len(ends), strict=False), (0, 0, 10 * SECOND)]:
        step = Step(NOW)
        decoder.decode(messages[begin:end], step)
        assert not step.postponed
        intake.order_rows(step, now)
        assert not [each.reason for each in step.rejects]
        for portion in step.portions:
            rows.setdefault(portion.key, []).append(portion.rows)
            events.setdefault(portion.key, []).extend((each.kind, each.effective) for each in portion.events)
    return {key: (Rows.join(parts), events[key]) for key, parts in rows.items()}


def cells(found: dict[Key, tuple[Rows, Any]]) -> dict[Key, set[tuple[str, int, float]]]:
    """Return each hammer's values as (channel, time in ms, value)."""
    return {
        key: {
            (name, at // 1_000_000, value)
            for name, column in rows.columns.items()
            for at, value in zip(rows.time_ns.tolist(), column.tolist(), strict=True)
            if value == value
        }
        for key, (rows, _) in found.items()
    }


@settings(max_examples=examples(15))
@given(st.lists(st.integers(0, SCANS * 5), max_size=12))
def test_any_cut_gives_the_same_rows_to_the_bit(cuts: list[int]) -> None:
    messages = [each for scan in tag_messages() for each in scan]
    whole, cut = results(messages, []), results(messages, [min(each, len(messages)) for each in cuts])
    assert {key: bits(rows) for key, (rows, _) in cut.items()} == {
        key: bits(rows) for key, (rows, _) in whole.items()
    }


@settings(max_examples=examples(15))
@given(st.lists(st.integers(0, 18), max_size=8))
def test_any_cut_gives_the_same_blocks_and_events(cuts: list[int]) -> None:
    """Mapped blocks, mapped events and the contract's own samples of one hammer keep their order."""
    messages = block_messages()
    whole, cut = results(messages, []), results(messages, cuts)
    assert cells(cut) == cells(whole)
    assert {key: events for key, (_, events) in cut.items()} == {
        key: events for key, (_, events) in whole.items()
    }
    assert len(whole["pit", "HB-04"][1]) == 5  # the last one waits for a row


@settings(max_examples=examples(15))
@given(st.lists(st.permutations(range(5)), min_size=SCANS, max_size=SCANS), st.booleans(), st.data())
def test_any_order_within_a_scan_and_everything_twice_give_the_same_values(
    orders: list[list[int]], twice: bool, data: st.DataObject
) -> None:
    expected = cells(results([each for scan in tag_messages() for each in scan], []))
    scans = [[scan[k] for k in order] for scan, order in zip(tag_messages(), orders, strict=True)]
    messages = [each for scan in scans for each in (scan * 2 if twice else scan)]
    if twice:
        messages += [each._replace(redelivered=True) for each in messages]
    cuts = data.draw(st.lists(st.integers(0, len(messages)), max_size=6))
    assert cells(results(messages, cuts)) == expected
