"""Every reason has a meaning and a remedy, and unknown keys get a suggestion."""

import json
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import strikewatch.sources
from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.errors import Rejected
from strikewatch.sources.decode import decode
from strikewatch.sources.decode.samples import KEYS
from strikewatch.sources.reasons import NOT_USED, REASONS, explain, similar_key, unknown_key_message

RECEIVED = 1_772_608_800 * 10**9
SAMPLES = "strikewatch/fennick-hollow/HB-01/samples"


def test_every_reason_in_the_decoder_is_explained() -> None:
    sources = (Path(strikewatch.sources.__file__).parent / "decode").glob("*.py")
    used = {reason for path in sources for reason in re.findall(r'Rejected\(\s*"(\w+)"', path.read_text())}
    assert len(used) > 15
    assert used <= REASONS.keys()
    assert not REASONS.keys() & NOT_USED.keys()


def test_an_unknown_reason_is_shown_as_it_is() -> None:
    assert explain("bad_json").meaning == "bad_json"
    assert explain("bad_json").remedy


@pytest.mark.parametrize(
    ("key", "suggested"),
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
def test_the_most_similar_key_is_suggested(key: str, suggested: str | None) -> None:
    assert similar_key(key, KEYS) == suggested
    assert (f"did you mean `{suggested}`?" in unknown_key_message(key, suggested)) == (suggested is not None)


def test_every_channel_and_alias_can_be_suggested() -> None:
    assert set(KEYS) >= CHANNELS.keys() | ALIASES.keys()
    assert all(similar_key(name, KEYS) == name for name in KEYS)


@given(st.text())
def test_any_key_gets_a_short_printable_sentence(key: str) -> None:
    message = unknown_key_message(key, similar_key(key, KEYS))
    assert len(message) < 150
    assert message.isprintable()


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
