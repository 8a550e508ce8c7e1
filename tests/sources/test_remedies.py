"""Whatever is not used has a meaning and a remedy, and an unknown key names the channel it was meant to be."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.errors import Rejected
from strikewatch.sources import remedies
from strikewatch.sources.decode import REASONS, decode
from strikewatch.sources.decode.nearest import KNOWN, advice, nearest

RECEIVED = 1_772_608_800 * 10**9
SAMPLES = "strikewatch/fennick-hollow/HB-01/samples"


def test_every_reason_has_a_remedy_and_there_is_none_for_a_reason_that_there_is_not() -> None:
    assert remedies.REMEDIES.keys() == remedies.MEANINGS.keys() == REASONS.keys() | remedies.NOT_USED.keys()
    assert all(remedies.REMEDIES.values())


def test_a_reason_of_another_release_is_shown_all_the_same() -> None:
    assert remedies.meaning("bad_json") == "bad_json"
    assert remedies.remedy("bad_json")


@pytest.mark.parametrize(
    ("key", "meant"),
    [
        ("presure_bar", "pressure_bar"),
        ("Pressure_Bar", "pressure_bar"),
        ("pressure-psi", "pressure_psi"),
        ("engine_speed_rpm", "engine_rpm"),
        ("oil_temperature_celsius", "oil_c"),
        ("gps_satellites", None),
        ("", None),
    ],
)
def test_the_nearest_channel(key: str, meant: str | None) -> None:
    assert nearest(key) == meant
    assert (f"did you mean `{meant}`?" in advice(key)) == (meant is not None)


def test_every_channel_and_what_is_accepted_in_its_place_can_be_meant() -> None:
    assert set(KNOWN) >= CHANNELS.keys() | ALIASES.keys()
    assert all(nearest(name) == name for name in KNOWN)


@given(st.text())
def test_any_key_gets_a_short_printable_sentence(key: str) -> None:
    said = advice(key)
    assert len(said) < 150
    assert said.isprintable()


@given(
    st.sampled_from(["pressure_bar", "active", "step_s", "time", "time_ms"]),
    st.one_of(
        st.text(max_size=500),
        st.integers(-(10**60), 10**60),
        st.floats(allow_nan=False, allow_infinity=False),
        st.booleans(),
    ),
)
def test_a_refusal_quotes_the_value_on_one_bounded_line(key: str, value: object) -> None:
    """Hostile values too: no control characters, no line break."""
    payload = json.dumps({"time": "2026-03-04T07:15:00Z", "active": True, key: value}).encode()
    refused = refusal(payload)
    if refused is not None:
        assert len(refused.detail) < 300
        assert refused.detail.isprintable()
        assert refused.reason != "bad_value" or "; got " in refused.detail


def refusal(payload: bytes) -> Rejected | None:
    try:
        decode(SAMPLES, payload, RECEIVED, "strikewatch")
    except Rejected as error:
        return error
    return None
