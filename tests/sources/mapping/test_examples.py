"""The examples of the shipped file: every value, every reject, and what is passed over."""

import json
from typing import Any

import numpy as np
import pytest

from strikewatch.core import instant
from strikewatch.core.events import Event
from strikewatch.sources.mapping import PassedOver, Sources, check_tables
from tests.sources.mapping.examples import MESSAGES, SHIPPED, example_tables

NOW = instant.parse("2026-03-04T07:15:30Z")
SITE = "fennick-hollow"


@pytest.fixture(scope="module")
def sources() -> Sources:
    tables, problems = check_tables(example_tables())
    assert not problems
    assert len(tables) == 8
    return Sources(tables)


def test_the_shipped_file_has_no_source_in_use() -> None:
    assert all(not line or line.startswith("#") for line in SHIPPED.read_text().splitlines())


def test_sources_without_a_time_of_their_own_are_subscribed_at_qos_0(sources: Sources) -> None:
    assert sources.filters["pit/+/+"] == 0
    assert {qos for topic, qos in sources.filters.items() if topic != "pit/+/+"} == {1}


EXPECTED: list[tuple[int, str, list[str], dict[str, list[float]]]] = [
    # message, hammer, times in 2026-03-04T07:15, channels
    (0, f"{SITE}/HB-02", ["30.000"], {"pressure_bar": [142.0526851]}),
    (1, f"{SITE}/HB-02", ["30.000"], {"oil_c": [61.3888889]}),
    (2, f"{SITE}/HB-02", ["30.000"], {"active": [1.0], "hold_s:active": [600.0]}),
    (3, f"{SITE}/HB-02", ["30.000"], {"active": [0.0], "hold_s:active": [600.0]}),
    (6, f"{SITE}/HB-01", ["00.100"], {"active": [1.0], "pressure_bar": [142.5], "oil_c": [61.2]}),
    (10, f"{SITE}/HB-01", ["00.100"], {"pressure_bar": [142.5], "active": [1.0]}),
    (10, f"{SITE}/HB-04", ["00.200"], {"pressure_bar": [150.0]}),
    (11, f"{SITE}/HB-03", ["00.100", "01.100"], {"pressure_bar": [142.5, -2.5], "oil_c": [61.2, np.nan]}),
    (11, "east-yard/HB-01", ["00.100"], {"oil_c": [40.0]}),
    (
        12,
        f"{SITE}/HB-06",
        ["00.000", "00.002", "00.004", "00.006"],
        {"pressure_bar": [141.1, 142.0, np.nan, 139.8]},
    ),
    (13, f"{SITE}/HB-05", ["00.100"], {"active": [1.0], "oil_c": [61.2]}),
    (14, f"{SITE}/HB-05", ["00.200"], {"active": [0.0], "oil_c": [np.nan]}),
]
REJECTED = {
    5: 'bad_value: pit-plc: pressure_bar: "---" is not a number; list it in `missing` if it stands for no value',
    7: "time_out_of_range: telem: @.t: outside the years 1970 to 2099; set the sender's clock; "
    'with as = "ms" it would be 2026-03-04T07:15:00.100000Z',
    8: 'unknown_word: telem: active: "running" is neither true nor false; name the values in `on` and `off`',
    9: "nothing: telem: none of the source's channels is in this payload (there: t, Hyd)",
    15: 'bad_time: modbus: $.timestamp: "2026-03-04 08:15:00.300" has no offset; name the clock\'s zone in `zone`',
    17: "unknown_word: badge: event.operator: the value at @.uid is not in `words`",
}
PASSED_OVER = {
    4: {PassedOver("name", "DOOR"): 1},
    10: {
        PassedOver("where"): 1,
        PassedOver("name", "Quarry.HB-04.Engine.Speed"): 1,
        PassedOver("name", "Quarry.Crusher.Amps"): 1,
    },
    11: {PassedOver("device", "000"): 1},
}


@pytest.mark.parametrize("number", range(len(MESSAGES)))
def test_each_message_gives_its_values_and_nothing_else(sources: Sources, number: int) -> None:
    topic, payload = MESSAGES[number]
    found = sources.map(topic, payload, NOW)
    expected: dict[str, Any] = {
        hammer: (times, columns) for k, hammer, times, columns in EXPECTED if k == number
    }
    assert {"/".join(key) for key in found.rows} == expected.keys()
    for key, rows in found.rows.items():
        times, columns = expected["/".join(key)]
        assert [instant.text(at)[17:23] for at in rows.time_ns.tolist()] == times
        assert rows.columns.keys() == columns.keys()
        for name, values in columns.items():
            np.testing.assert_allclose(rows.columns[name], values)
    assert [str(each.error) for each in found.rejects] == [
        what for k, what in REJECTED.items() if k == number
    ]
    assert found.passed_over == PASSED_OVER.get(number, {})
    badge = Event(SITE, "HB-01", "sign_on", instant.parse("2026-03-04T07:14:59Z"), {"operator": "op-14"})
    assert found.events == [badge] * (number == 16)


def test_a_card_that_is_not_listed_goes_no_farther(sources: Sources) -> None:
    """Neither the reason nor the kept payload has its number."""
    [reject] = sources.map(*MESSAGES[17], NOW).rejects
    assert "99C0" not in reject.error.detail
    assert reject.private


def test_the_machine_of_a_topic_is_its_hammer_or_what_brings_its_hammers(sources: Sources) -> None:
    """Messages of one machine stay in order, whatever their topics."""
    machines = {topic: sources.machine(topic, "strikewatch") for topic, _ in MESSAGES}
    assert machines["pit/HB-02/P_SUPPLY"] == machines["pit/HB-02/HAMMER"] == f"strikewatch/{SITE}/HB-02"
    assert machines["rtu/05/regs"] == f"strikewatch/{SITE}/HB-05"
    assert machines["cab/rd-07/card"] == f"strikewatch/{SITE}/HB-01"
    assert machines["scada/opc/groups/7"] == sources.machine("scada/opc/groups/8", "strikewatch") == "opc"
    assert machines["gw/A17/telemetry"] != sources.machine("gw/A18/telemetry", "strikewatch")
    assert sources.machine("elsewhere", "strikewatch") is None


def test_a_duplicate_key_is_refused_as_on_the_contracts_topics(sources: Sources) -> None:
    payload = json.dumps({"t": 1772608500.1, "hyd": {"p": [1]}}).replace('"p"', '"x": 1, "x": 2, "p"')
    [reject] = sources.map("v1/fennick-hollow/HB-01/telem", payload.encode(), NOW).rejects
    assert reject.error.reason == "duplicate_key"
    assert reject.key == (SITE, "HB-01")
