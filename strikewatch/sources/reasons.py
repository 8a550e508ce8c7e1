"""Why data was not used: what each reason means, what the sender should do, and which key was probably meant."""

from collections.abc import Sequence
from difflib import get_close_matches
from typing import Final, NamedTuple

_CUTOFF: Final = 0.6
_MAX_KEY_LENGTH: Final = 80


class Reason(NamedTuple):
    """What a reason means, and what the sender should do."""

    meaning: str
    remedy: str


REASONS: Final = {
    "topic": Reason(
        "the topic does not match the contract, or an id in it has forbidden characters",
        "publish to <prefix>/<site>/<hammer>/samples or /events; ids have 1 to 64 letters, digits, '.', '_' or '-'",
    ),
    "empty": Reason("the payload or its array is empty", "publish only when there is something to send"),
    "too_large": Reason(
        "more bytes, rows or values than allowed in one payload",
        "send smaller blocks: at most 16 MiB, 100,000 rows and 7 days of held values in a message, 64 KiB in an event",
    ),
    "too_many_keys": Reason(
        "more keys than allowed in one object", "send only the keys of the contract, or raise intake.max_keys"
    ),
    "too_many_events": Reason(
        "more events than allowed wait for rows of their hammer",
        "send the hammer's samples too, check its id and the sender's clock, or raise intake.max_pending_events",
    ),
    "too_many_hammers": Reason(
        "a new hammer beyond the number allowed in all or at its site",
        "correct the hammer's id in the topic; or list it in `hammers`, or its site in `sites.zones`, or raise "
        "intake.max_hammers or intake.max_hammers_per_site",
    ),
    "too_many_sites": Reason(
        "a hammer at a new site beyond the number allowed",
        "correct the site's id in the topic; or list the site in `sites.zones`, or raise intake.max_sites",
    ),
    "hold_too_old": Reason(
        "rows that were more than 31 days old when they arrived: they are used, but their values are not held",
        "send data sooner; where that cannot be, send a row at least every 2 s, or give an old recording to "
        "`strikewatch replay`",
    ),
    "ended_process": Reason(
        "the process ended again and again while it processed this message",
        "this release does not process it again: correct the sender, and report the message with its payload",
    ),
    "not_json": Reason(
        "not UTF-8 JSON: invalid text, NaN or Infinity, or nested too deeply",
        "send UTF-8 JSON (RFC 8259), and null instead of NaN or Infinity",
    ),
    "not_cbor": Reason(
        "not CBOR: cut off, malformed, nested too deeply, or with a tag that is not supported",
        "send one item of CBOR (RFC 8949) without references; on the contract's own topics a SenML pack (RFC 8428)",
    ),
    "not_msgpack": Reason(
        "not MessagePack: cut off, malformed, nested too deeply, or with an extension that is not supported",
        "send one object of MessagePack; of extensions only timestamps are read",
    ),
    "not_sparkplug": Reason(
        "not a payload of Sparkplug B: no valid protocol buffers, or text that is not UTF-8",
        "publish payloads of Sparkplug B (spBv1.0) to its topics, and nothing else",
    ),
    "no_birth": Reason(
        "metrics without a name, or whose name the node's births did not give, or may have given to another one",
        "have the node publish its births again, as it must on `Node Control/Rebirth`; if its sequence numbers are "
        "wrong, set rebirth = false in the source",
    ),
    "too_many_metrics": Reason(
        "more Sparkplug nodes or metrics than allowed in one source",
        "publish fewer metrics: at most 10,000 for a node, and 1,000 nodes and 200,000 metrics for a source; or make "
        "a source for each group",
    ),
    "bad_compression": Reason(
        "not compressed as its source says, or cut off",
        "correct how the source is compressed (gzip, zlib or deflate), or send the payload uncompressed",
    ),
    "shape": Reason("not an object or an array of objects", "send one JSON object, or an array of objects"),
    "duplicate_key": Reason("a key occurs twice in one object", "send each key once in an object"),
    "missing": Reason("a required key is missing", "add the key that the detail names"),
    "both_given": Reason(
        "two keys for the same value: a channel and its alias, or time and time_ms",
        "send one of the two keys that the detail names",
    ),
    "bad_value": Reason(
        "a value of a wrong type or outside what its key allows",
        "send a value of the type and range that the detail names, or null if it was not sampled",
    ),
    "bad_time": Reason(
        "not an RFC 3339 time with an offset",
        "send times as RFC 3339 with an offset (2026-03-04T07:15:00.100Z), or time_ms",
    ),
    "bad_step": Reason(
        "the step of a block is too short",
        "send step_s as the seconds between two samples, at least 0.000001",
    ),
    "lengths": Reason(
        "the arrays of a block differ in length, or are empty", "give all arrays of a block the same length"
    ),
    "time_out_of_range": Reason(
        "a time outside the years 1970 to 2099", "set the sender's clock (NTP); time_ms is in milliseconds"
    ),
    "clock_ahead": Reason(
        "a time too far ahead of the receiver's clock",
        "set the sender's clock (NTP), and check this machine's",
    ),
    "unknown_event": Reason(
        "the event is not in the contract", "send one of the events that the detail lists"
    ),
    "no_source": Reason(
        "a topic that no source takes, though the broker sends it",
        "add a source for it to the sources file; if one was taken out, the broker sends no more after a restart",
    ),
    "not_text": Reason(
        "not text in the encoding of its source, or not lines of values",
        "correct `payload` or `encoding` of the source",
    ),
    "no_record": Reason(
        "the payload has nothing where its source looks for records", "correct `records` of the source"
    ),
    "nothing": Reason(
        "the payload has none of the channels of its source",
        "correct the paths of the source's channels; or, if this payload has none, narrow its topic or use `where`",
    ),
    "unknown_word": Reason(
        "a word that the table of its source does not list",
        "add it to `on`, `off`, `words` or `missing` of the source",
    ),
    "senml_version": Reason(
        "an unsupported version of RFC 8428", "send version 10 of SenML (RFC 8428), or leave bver out"
    ),
    "senml_label": Reason(
        "a mandatory RFC 8428 label that is not supported",
        "leave out the label that ends in '_', or send plain JSON",
    ),
    "senml_name": Reason(
        "a resolved RFC 8428 name that is missing or malformed",
        "make n or bn name a channel, in letters, digits and -:./_",
    ),
    "senml_unit": Reason(
        "a unit that is unknown or does not fit the channel",
        "`strikewatch channels` lists the names and units that are accepted",
    ),
}
"""Why a payload, or an object in it, was rejected."""

NOT_USED: Final = {
    "late": Reason(
        "rows older than a row of the same hammer that has been processed",
        "send the oldest data first and keep the sender's clock right (NTP); after a clock was set back, rows are "
        "used again only from its old time on",
    ),
    "wrong_clock": Reason(
        "rows far ahead of the rows before them; later rows continued from the old time",
        "set the sender's clock (NTP), and check why it jumped",
    ),
    "duplicate": Reason(
        "rows that had already arrived",
        "nothing is lost; if the count keeps rising, two gateways send the same data, or one sends it twice",
    ),
    "unknown_key": Reason(
        "an unknown key; the rest of the message was used",
        "correct the key or stop sending it; `strikewatch channels` lists all channels",
    ),
}
"""Why data was not used although it could be decoded."""


def explain(reason: str) -> Reason:
    """Return what a reason means and what to do; of an unknown reason, its name."""
    known = REASONS.get(reason) or NOT_USED.get(reason)
    return known or Reason(reason, "see the detail; this reason comes from another release")


def similar_key(key: str, known: Sequence[str]) -> str | None:
    """Return the known key with the most similar spelling, or else with the same first word; None if there is none."""
    plain = key[:_MAX_KEY_LENGTH].lower().replace("-", "_").replace(" ", "_")
    if close := get_close_matches(plain, known, n=1, cutoff=_CUTOFF):
        return close[0]
    first_word = plain.partition("_")[0]
    return next((name for name in known if name.partition("_")[0] == first_word), None)


def unknown_key_message(key: str, suggestion: str | None) -> str:
    """Return a message that names an unknown key and what `similar_key` suggests for it."""
    shown = "".join(char if char.isprintable() else "\ufffd" for char in key[:_MAX_KEY_LENGTH])
    return f"unknown key `{shown}`" + (
        f"; did you mean `{suggestion}`?" if suggestion else "; it is not used"
    )
