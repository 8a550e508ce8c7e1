"""The event records and the columns that the detectors read."""

import math

import pytest

from strikewatch.core.channels import CHANNELS
from strikewatch.core.events import ENTRY_KINDS, KINDS, TIMER_RESETTING_KINDS, Event, EventField, reference_to
from strikewatch.detectors.kernels import CORRECTED
from strikewatch.engine.inputs import event_records
from tests.detectors.recorded import is_impossible

NOON = 1_780_000_000_000_000_000
VALUES = {"choice": None, "id": "op-14", "word": "moil", "number": 12.5, "flag": True, "counts": [12, 12]}


def event_of_kind(kind: str, at: int = NOON, **fields: object) -> Event:
    """Return an event of a kind with its required fields."""

    def value(field: EventField) -> object:
        return field.choices[0] if field.choices else VALUES[field.type]

    required = {name: value(field) for name, field in KINDS[kind].fields.items() if field.required}
    return Event("fennick-hollow", "HB-01", kind, at, {**required, **fields})


def test_every_kind_is_for_entry_except_connection_and_withdrawal() -> None:
    assert set(KINDS) - set(ENTRY_KINDS) == {"connection", "withdrawal"}
    assert set(TIMER_RESETTING_KINDS) <= set(ENTRY_KINDS)
    assert all(set(kind.entry_needs) <= {*kind.fields, "note"} for kind in KINDS.values())
    assert all(bool(kind.entry_needs) == bool(kind.entry_prompt) for kind in KINDS.values())


@pytest.mark.parametrize("kind", TIMER_RESETTING_KINDS)
def test_an_event_that_resets_a_timer_and_its_correction_reach_the_detectors(kind: str) -> None:
    wrong = event_of_kind(kind)
    right = event_of_kind(kind, NOON + 1, corrects=reference_to(wrong))
    records = event_records([wrong, right])
    assert records["at"].tolist() == [NOON, NOON + 1]
    assert records["kind"][1] == CORRECTED
    assert records["wrong"][1] == records["right"][1] == records["kind"][0]
    assert records["wrong_time"][1] == NOON


@pytest.mark.parametrize("channel", CHANNELS)
def test_values_are_possible_from_the_lowest_to_the_highest(channel: str) -> None:
    """At both ends, next to them, and between them, where a boolean has nothing; also after an impossible value."""
    low, high = CHANNELS[channel].low, CHANNELS[channel].high
    below, above = math.nextafter(low, -math.inf), math.nextafter(high, math.inf)
    between = (low + high) / 2
    assert [is_impossible(channel, value) for value in (low, high)] == [False, False]
    assert [is_impossible(channel, value) for value in (below, above, -math.inf, math.inf)] == [True] * 4
    assert is_impossible(channel, between) == CHANNELS[channel].boolean
    assert [is_impossible(channel, above, low), is_impossible(channel, low, math.nan, above)] == [False, True]
