"""What each reason for not using data means, and what the sender should do about it."""

from typing import Final

from strikewatch.sources.decode import REASONS

NOT_USED: Final = {
    "late": "rows older than a row of the same hammer that has been processed",
    "wrong_clock": "rows far ahead of the rows before them; later rows continued from the old time",
    "duplicate": "rows that had already arrived",
    "unknown_key": "an unknown key; the rest of the message was used",
}
"""Reasons why decoded data was not used."""

MEANINGS: Final = {**REASONS, **NOT_USED}

_SENML: Final = "`strikewatch channels` lists the names and units that are accepted"
REMEDIES: Final = {
    "topic": "publish to <prefix>/<site>/<hammer>/samples or /events; "
    "ids have 1 to 64 letters, digits, '.', '_' or '-'",
    "empty": "publish only when there is something to send",
    "too_large": "send smaller blocks: at most 16 MiB and 100,000 rows in a message",
    "not_json": "send UTF-8 JSON (RFC 8259), and null instead of NaN or Infinity",
    "shape": "send one JSON object, or an array of objects",
    "duplicate_key": "send each key once in an object",
    "missing": "add the key that the detail names",
    "both_given": "send one of the two keys that the detail names",
    "bad_value": "send a value of the type and range that the detail names, or null if it was not sampled",
    "bad_time": "send times as RFC 3339 with an offset (2026-03-04T07:15:00.100Z), or time_ms",
    "bad_step": "send step_s as the seconds between two samples, at least 0.000001",
    "lengths": "give all arrays of a block the same length",
    "time_out_of_range": "set the sender's clock (NTP); time_ms is in milliseconds",
    "clock_ahead": "set the sender's clock (NTP), and check this machine's",
    "unknown_event": "send one of the events that the detail lists",
    "senml_version": "send version 10 of SenML (RFC 8428), or leave bver out",
    "senml_label": "leave out the label that ends in '_', or send plain JSON",
    "senml_name": "make n or bn name a channel, in letters, digits and -:./_",
    "senml_unit": _SENML,
    "late": "send the oldest data first and keep the sender's clock right (NTP); after a clock was set "
    "back, rows are used again only from its old time on",
    "wrong_clock": "set the sender's clock (NTP), and check why it jumped",
    "duplicate": "nothing is lost; if the count keeps rising, two gateways send the same data, or one sends it twice",
    "unknown_key": "correct the key or stop sending it; `strikewatch channels` lists all channels",
}
_UNKNOWN: Final = "see the detail; this reason comes from another release"


def meaning(reason: str) -> str:
    """Return what a reason means; the reason itself if it comes from another release."""
    return MEANINGS.get(reason, reason)


def remedy(reason: str) -> str:
    """Return what the sender should do about a reason."""
    return REMEDIES.get(reason, _UNKNOWN)
