"""A few bytes that stand for days of held values cost other hammers nothing, and one hammer a bounded amount."""

from pathlib import Path

from sqlalchemy import select

from strikewatch.core.instant import SECOND
from strikewatch.service.intake import HELD_PER_STEP_NS
from strikewatch.sources.decode import DAY, MAX_HELD_AGE, Samples, decode
from strikewatch.sources.mqtt import Message
from strikewatch.storage.commit import spool
from strikewatch.storage.commit.store import Store
from strikewatch.storage.schema.tables import arrived
from tests.service.bench import GivenMessages, work_off, worker_of
from tests.service.test_admission import RECEIVED

DAYS = 12
MOST_ROWS = 2 * HELD_PER_STEP_NS // SECOND + 10
"""In one commit: a row far ahead of the last one waits until the next confirms it, so two days can come at once."""


def held(hammer: str, at: int, hold_s: int = 86_400) -> Message:
    payload = b'{"time_ms":%d,"active":false,"oil_c":50,"hold_s":{"active":%d,"oil_c":%d}}'
    body = payload % (at // 10**6, hold_s, hold_s)
    return Message(f"strikewatch/fennick-hollow/{hammer}/samples", body, RECEIVED, 0, 1, 1, False)


def recorded(path: Path, steps: list[list[Message]]) -> tuple[list[dict[str, list[int]]], int]:
    """Process messages, given in these pieces; return the row times of each commit, and the acknowledgements."""
    source = GivenMessages()
    store = Store(path)
    worker = worker_of(store, source, lambda: RECEIVED)
    for messages in steps:
        source.coming += messages
        work_off(worker)
    with store.read() as connection:
        blobs = connection.scalars(select(arrived.c.rows).order_by(arrived.c.seq)).all()
    store.close()
    commits = [
        {key[1]: rows.time_ns.tolist() for key, rows in spool.decode(bytes(blob))[0]} for blob in blobs
    ]
    return commits, len(source.acknowledged)


def test_messages_a_day_apart_are_spread_over_steps_and_delay_no_other_hammer(tmp_path: Path) -> None:
    start = RECEIVED - DAYS * DAY
    flood = [held("HB-66", start + n * DAY) for n in range(DAYS)]
    others = [held("HB-03", RECEIVED - 30 * SECOND + n * SECOND, 60) for n in range(10)]
    commits, acknowledged = recorded(tmp_path / "one.db", [[*flood, *others]])
    assert acknowledged == DAYS + 10
    assert max(len(rows.get("HB-66", ())) for rows in commits) <= MOST_ROWS
    assert "HB-03" in commits[0]  # with the first day, before all others

    slowly, _ = recorded(tmp_path / "two.db", [[message] for message in [*flood, *others]])
    for hammer in ("HB-66", "HB-03"):
        whole, pieces = ([at for rows in one for at in rows.get(hammer, ())] for one in (commits, slowly))
        assert len(whole) > 5
        assert whole == pieces


def test_values_of_rows_that_are_too_old_are_not_held_and_that_is_reported() -> None:
    old, recent = RECEIVED - MAX_HELD_AGE - 1_000_000, RECEIVED - MAX_HELD_AGE + 1_000_000
    for at, holds in ((old, False), (recent, True)):
        message = held("HB-03", at)
        decoded = decode(message.topic, message.payload, RECEIVED, "strikewatch")
        assert isinstance(decoded, Samples)
        assert [error.reason for error in decoded.rejected] == ([] if holds else ["hold_too_old"])
        assert len(decoded.rows) == 1
        assert (decoded.rows.columns["hold_s:oil_c"][0] > 0) == holds


def test_messages_since_1970_become_few_rows(tmp_path: Path) -> None:
    flood = [held("HB-66", (100 + 80 * n) * DAY) for n in range(200)]
    commits, acknowledged = recorded(tmp_path / "one.db", [flood])
    assert acknowledged == 200
    assert sum(len(rows["HB-66"]) for rows in commits) == 200
