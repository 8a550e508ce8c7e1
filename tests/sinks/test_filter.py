"""Hours of the week in local time, and the filter of an endpoint."""

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from strikewatch.core.instant import SECOND, Instant
from strikewatch.sinks.filter import DAYS, FAULTS, Filter, Routes, in_ranges, parse_hours
from strikewatch.sinks.sites import Sites

BERLIN = ZoneInfo("Europe/Berlin")
ZONES = ["UTC", "Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "Pacific/Apia"]
RECORD = {"site": "pit", "hammer": "HB-01", "fault": "same_spot", "priority": "medium"}


def utc(*parts: int) -> Instant:
    return int(datetime(*parts, tzinfo=UTC).timestamp()) * SECOND  # type: ignore[arg-type]  # year, month, …


@pytest.mark.parametrize(
    ("text", "at", "inside"),
    [
        ("Mon-Fri 06:00-18:00", utc(2026, 11, 25, 5, 0), True),
        ("Mon-Fri 06:00-18:00", utc(2026, 11, 25, 4, 59), False),
        ("Mon-Fri 06:00-18:00", utc(2026, 11, 25, 16, 59), True),
        ("Mon-Fri 06:00-18:00", utc(2026, 11, 25, 17, 0), False),
        ("Mon-Fri 06:00-18:00", utc(2026, 11, 28, 10, 0), False),
        ("Fri 22:00-06:00", utc(2026, 11, 28, 4, 59), True),
        ("Fri 22:00-06:00", utc(2026, 11, 28, 5, 0), False),
        ("Fri 22:00-06:00", utc(2026, 11, 27, 4, 0), False),
        ("Sun 22:00-06:00", utc(2026, 11, 30, 4, 0), True),
        ("Sat-Mon 00:00-24:00", utc(2026, 11, 30, 22, 59), True),
        ("Sat-Mon 00:00-24:00", utc(2026, 11, 30, 23, 0), False),
    ],
)
def test_hours_are_in_local_time(text: str, at: Instant, inside: bool) -> None:
    """Berlin in winter is an hour ahead of UTC; 25 November 2026 is a Wednesday."""
    assert in_ranges(parse_hours([text]), at, BERLIN) is inside


def test_hours_follow_local_time_at_a_change_to_summer_time() -> None:
    """29 March 2026: 02:00 becomes 03:00. 25 October: 03:00 becomes 02:00, and 02:30 comes twice."""
    six = parse_hours(["Mon-Sun 06:00-07:00"])
    assert in_ranges(six, utc(2026, 3, 28, 5, 30), BERLIN)
    assert in_ranges(six, utc(2026, 3, 29, 4, 30), BERLIN)
    night = parse_hours(["Sun 02:00-03:00"])
    assert not any(in_ranges(night, utc(2026, 3, 29, 0, 0) + k * 60 * SECOND, BERLIN) for k in range(180))
    assert sum(in_ranges(night, utc(2026, 10, 25, 0, 0) + k * 60 * SECOND, BERLIN) for k in range(180)) == 120


@given(
    st.sampled_from(DAYS),
    st.integers(0, 1439),
    st.integers(1, 1440),
    st.sampled_from(ZONES),
    st.integers(utc(2020, 1, 1), utc(2030, 1, 1)),
)
def test_a_range_agrees_with_a_simple_calendar_calculation(
    day: str, begin: int, length: int, zone: str, at: Instant
) -> None:
    """The slow twin checks the local date, and the one before for ranges past midnight."""
    end = begin + length
    clock = f"{end // 60:02}:{end % 60:02}" if end <= 1440 else f"{(end - 1440) // 60:02}:{end % 60:02}"
    text = f"{day} {begin // 60:02}:{begin % 60:02}-{clock}"
    if length == 1440 and begin:
        return  # ends where it begins: written as two stretches
    local = datetime.fromtimestamp(at // SECOND, ZoneInfo(zone))
    minute = local.hour * 60 + local.minute
    today, before = DAYS[local.weekday()], DAYS[(local - timedelta(days=1)).weekday()]
    expected = (today == day and begin <= minute < end) or (before == day and minute + 1440 < end)
    assert in_ranges(parse_hours([text]), at, ZoneInfo(zone)) is expected


@pytest.mark.parametrize(
    "text",
    [
        "",
        "Mon",
        "06:00-18:00",
        "Mon 6:00-18:00",
        "Mon-Xyz 06:00-18:00",
        "Mon 06:00-06:00",
        "Mon 06:60-18:00",
        "Mon 06:00-24:01",
        "Mon 24:00-06:00",
        "mon 06:00-18:00",
        "Mon 06:00-18:00 ",
    ],
)
def test_invalid_hours_are_refused(text: str) -> None:
    with pytest.raises(ValidationError):
        Filter(hours=(text,))


@pytest.mark.parametrize(
    ("given", "passes"),
    [
        ({}, True),
        ({"sites": ("pit", "quay")}, True),
        ({"sites": ("quay",)}, False),
        ({"hammers": ("HB-01",)}, True),
        ({"hammers": ("HB-02",)}, False),
        ({"faults": ("same_spot", "hot_oil")}, True),
        ({"faults": ("hot_oil",)}, False),
        ({"lowest": "low"}, True),
        ({"lowest": "medium"}, True),
        ({"lowest": "high"}, False),
        ({"hours": ("Wed 12:00-13:00",)}, True),
        ({"hours": ("Wed 13:00-14:00", "Thu 12:00-13:00")}, False),
        ({"sites": ("pit",), "faults": ("hot_oil",)}, False),
    ],
)
def test_an_alert_must_meet_every_condition_and_an_empty_one_accepts_all(
    given: dict[str, Any], passes: bool
) -> None:
    now = utc(2026, 11, 25, 12, 30)
    assert Routes({"office": Filter(**given)}, Sites())("office", RECORD, now) is passes


def test_hours_use_the_zone_of_the_alert_s_site_and_can_be_ignored() -> None:
    filters = {"office": Filter(hours=("Wed 12:00-13:00",))}
    routes = Routes(filters, Sites(zone="Europe/Berlin", zones={"quay": "America/New_York"}))
    assert routes("office", RECORD, utc(2026, 11, 25, 11, 30))
    assert not routes("office", RECORD, utc(2026, 11, 25, 12, 30))
    assert routes("office", RECORD | {"site": "quay"}, utc(2026, 11, 25, 17, 30))
    assert routes("office", RECORD, None)


def test_unknown_faults_and_zones_are_named_in_the_error() -> None:
    assert "grease_overdue" in FAULTS
    with pytest.raises(ValidationError, match="grease_over: no such fault; there are same_spot"):
        Filter(faults=("grease_over",))
    for wrong in ({"zone": "Europe/Atlantis"}, {"zones": {"pit": "../etc/passwd"}}, {"zone": ""}):
        with pytest.raises(ValidationError, match="there is no time zone"):
            Sites(**wrong)  # type: ignore[arg-type]  # one of each kind
