"""Events by the contract, and which hammer a topic names."""

import json
import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core import instant
from strikewatch.core.events import KINDS, Event
from strikewatch.errors import Rejected
from strikewatch.sources.decode import DecodedEvent, decode, topic
from strikewatch.sources.decode.events import decode_event
from tests.sources.malformed import EVENTS, RECEIVED

TIME = "2026-03-04T07:15:00Z"
BUSHINGS = ["first_groove_visible", "second_groove_visible", "second_groove_faint", "second_groove_gone"]


def read(fields: dict[str, Any]) -> DecodedEvent:
    decoded = decode(EVENTS, json.dumps(fields).encode(), RECEIVED, "strikewatch")
    assert isinstance(decoded, DecodedEvent)
    return decoded


EVENT_FIELDS = [
    ("sign_on", {"operator": "op-14"}),
    ("sign_off", {}),
    ("sign_off", {"operator": "op-14"}),
    ("grease", {"strokes": [12, 12], "method": "manual"}),
    ("grease", {"strokes": [18]}),
    ("grease", {"method": "automatic"}),
    ("check", {"result": "ok"}),
    ("check", {"result": "defect", "note": "hose chafed at the boom"}),
    *(("inspection", {"bushing": each, "turned_before": True}) for each in BUSHINGS),
    ("inspection", {"bore_mm": 121.5, "tool_mm": 118, "tool_length_mm": 655.5, "bushing_new": True}),
    ("service", {}),
    ("storage", {"state": "in"}),
    ("storage", {"state": "out"}),
    ("relearn", {"by": "fitter", "note": "new seals"}),
    ("coached", {"operator": "op-14", "fault": "same_spot", "note": "stop at 10 s"}),
    *(("connection", {"state": state}) for state in ("lost", "stale", "restored")),
    *(("tool_change", {"tool": each}) for each in ("moil", "chisel", "blunt")),
    *(
        ("tool_change", {"tool": "moil", "serial": "T-7", "material": "alloyed", "reason": reason})
        for reason in ("worn", "broken", "lost", "swapped")
    ),
    *(("work", {"work": each}) for each in ("boulders", "trenching", "benching", "demolition")),
    ("hours", {"meter_h": 1251.5}),
    *(
        ("hours", {"meter_h": 0.0, "reason": reason})
        for reason in ("reading", "moved", "replaced", "corrected")
    ),
    ("work", {"work": "benching", "hard": True, "abrasive": False, "cut_edge": True}),
    ("withdrawal", {"corrects": {"event": "hours", "time": "2026-03-04T07:14:59.123456789Z"}}),
    (
        "grease",
        {"strokes": [12], "confirmed": True, "corrects": {"event": "grease", "time": f"{TIME[:-1]}.000000Z"}},
    ),
]


@pytest.mark.parametrize(("kind", "fields"), EVENT_FIELDS)
def test_events_of_the_contract(kind: str, fields: dict[str, Any]) -> None:
    decoded = read({"time": TIME, "event": kind, **fields})
    assert decoded == DecodedEvent(Event("fennick-hollow", "HB-01", kind, instant.parse(TIME), fields))
    assert read({"time_ms": instant.parse(TIME) // 1_000_000, "event": kind, **fields}) == decoded


def test_a_last_will_without_a_time_has_the_time_of_arrival() -> None:
    """It is written when a gateway connects; every other event must bear its time."""
    decoded = read({"event": "connection", "state": "lost"})
    assert decoded.event.time == RECEIVED
    with pytest.raises(Rejected, match="time"):
        read({"event": "service"})


def test_every_kind_of_event_is_known() -> None:
    assert {kind for kind, _ in EVENT_FIELDS} == set(KINDS)


def test_a_correction_names_the_wrong_event_by_its_kind_and_instant() -> None:
    for wrong in ({"time": "2026-03-04T08:14:59+01:00"}, {"time_ms": 1_772_608_499_000}):
        decoded = read({"time": TIME, "event": "withdrawal", "corrects": {"event": "grease", **wrong}})
        assert decoded.event.corrects == ("grease", instant.parse("2026-03-04T07:14:59Z"))


@pytest.mark.parametrize(
    ("corrects", "place"),
    [
        (None, "corrects"),
        ({"event": "grease"}, "corrects.time"),
        ({"event": "withdrawal", "time": TIME}, "corrects.event"),
        ({"event": "grease", "time": "yesterday"}, "corrects.time"),
        ({"event": "grease", "time": TIME, "number": 3}, "corrects.number"),
        ({"event": "grease", "time": "2099-01-01T00:00:00Z"}, "corrects.time"),
    ],
)
def test_a_correction_without_a_valid_reference_is_refused(corrects: Any, place: str) -> None:
    with pytest.raises(Rejected, match=re.escape(place)):
        read({"time": TIME, "event": "withdrawal", **({"corrects": corrects} if corrects else {})})


def test_unknown_keys_of_an_event_are_reported_and_left_out() -> None:
    decoded = read({"time": TIME, "event": "service", "mood": "good"})
    assert decoded.unknown == ("mood",)
    assert decoded.event.fields == {}


@pytest.mark.parametrize(
    "fields",
    [
        {"event": "check", "result": "fine"},
        {"event": "inspection", "bushing": "worn"},
        {"event": "inspection", "turned_before": 1},
        {"event": "inspection", "bore_mm": -1},
        {"event": "storage"},
        {"event": "connection", "state": "gone"},
        {"event": "connection"},
        {"event": "tool_change", "tool": "A Chisel"},
        {"event": "tool_change", "tool": "moil", "reason": "tired"},
        {"event": "tool_change", "tool": "moil", "serial": "T 7"},
        {"event": "work", "work": "digging"},
        {"event": "work", "work": "benching", "hard": "yes"},
        {"event": "inspection", "tool_length_mm": 0},
        {"event": "hours", "meter_h": -1},
        {"event": "hours", "meter_h": 5, "reason": "wound back"},
        {"event": "sign_on", "operator": "op-14\n"},
    ],
)
def test_values_outside_the_contract_are_rejected(fields: dict[str, Any]) -> None:
    with pytest.raises(Rejected, match=r"bad_value|missing"):
        read({"time": TIME, **fields})


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        (
            {"event": "sign_on", "operator": "a new one"},
            "operator: must have 1 to 64 letters, digits, '.', '_' or '-', a letter or digit first; got \"a new one\"",
        ),
        (
            {"event": "tool_change", "tool": "A Chisel"},
            "tool: must have 1 to 32 small letters, digits, '_' or '-', a letter first; got \"A Chisel\"",
        ),
    ],
)
def test_what_an_id_may_hold_is_said_in_words(fields: dict[str, Any], said: str) -> None:
    with pytest.raises(Rejected) as caught:
        read({"time": TIME, **fields})
    assert caught.value.detail == said


def test_a_line_of_an_events_file_names_its_hammer() -> None:
    line = json.dumps({"time": TIME, "event": "service", "hammer": "HB-02"}).encode()
    assert decode_event(line, "fennick-hollow", "", RECEIVED)[0].hammer == "HB-02"
    with pytest.raises(Rejected, match="missing: site"):
        decode_event(line, "", "", RECEIVED)


def test_on_mqtt_site_and_hammer_come_from_the_topic() -> None:
    assert (
        read({"time": TIME, "event": "service", "hammer": "HB-02", "site": "elsewhere"}).event.hammer
        == "HB-01"
    )


ID = st.from_regex(r"\A[A-Za-z0-9][A-Za-z0-9._-]{0,63}\Z")


@given(
    site=ID,
    hammer=ID,
    kind=st.sampled_from(["samples", "events"]),
    prefix=st.sampled_from(["strikewatch", "a/b"]),
)
def test_a_built_topic_is_parsed_back(site: str, hammer: str, kind: str, prefix: str) -> None:
    assert topic.parse(f"{prefix}/{site}/{hammer}/{kind}", prefix) == ((site, hammer), kind)


@given(st.text(alphabet=st.sampled_from("aé/+#.$\0 \n-_9"), max_size=70))
def test_an_id_never_has_a_separator_a_wildcard_or_a_leading_dot(text: str) -> None:
    """Source: MQTT 5.0 sections 4.7.1 and 4.7.3: `/` divides levels, `+` and `#` are wildcards, no NUL."""
    if topic.is_id(text):
        assert 1 <= len(text) <= 64
        assert not set(text) & set("/+#$\0 \n")
        assert text[0] not in ".-_"
