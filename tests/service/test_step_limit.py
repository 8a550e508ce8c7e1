"""A message with days of rows is processed in several steps: none is large, and what comes of it is the same."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select, text

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.instant import SECOND
from strikewatch.service.intake import decoder
from strikewatch.service.intake.step import LIMIT_NS, QUANTUM_NS, StepLimit
from strikewatch.service.worker import Worker
from strikewatch.sources.decode import decode
from strikewatch.sources.mqtt import Message
from strikewatch.storage.commit import spool
from strikewatch.storage.commit.store import Store
from strikewatch.storage.schema.tables import arrived
from tests.service.bench import GivenMessages, worker_of
from tests.service.test_admission import RECEIVED

KEY = ("fennick-hollow", "HB-66")
ROWS = 9000
STEP_S = 3
"""A heating and a cooling each 12 s, so 2,250 alerts."""


def message(hammer: str, payload: Any, *, redelivered: bool = False) -> Message:
    body = json.dumps(payload).encode()
    return Message(
        f"strikewatch/fennick-hollow/{hammer}/samples", body, RECEIVED, 0, 1, 1, redelivered=redelivered
    )


def block(first: int, last: int) -> dict[str, Any]:
    """Return rows `first` up to `last` of a hammer whose oil is hot and cool in turns while it fires."""
    n = last - first
    start = RECEIVED - (ROWS * STEP_S + 60) * SECOND + first * STEP_S * SECOND
    oil = [70.0 if k % 4 == 3 else 90.0 for k in range(first, last)]
    return {"time": instant.text(start), "step_s": STEP_S, "active": [True] * n, "oil_c": oil}


def process(path: Path, messages: Sequence[Message], turns: int = 10**6) -> tuple[Worker, GivenMessages]:
    source = GivenMessages(messages)
    store = Store(path)
    worker = worker_of(store, source, lambda: RECEIVED)
    while turns and worker.turn(0.0):
        turns -= 1
    store.close()
    return worker, source


def stored(path: Path) -> tuple[list[Any], list[dict[str, list[int]]]]:
    """Return the alerts, and the row times of each commit by hammer."""
    store = Store(path)
    with store.read() as connection:
        alerts = connection.execute(text("select id, onset_ns, cleared_ns from alerts order by 1")).all()
        blobs = connection.scalars(select(arrived.c.rows).order_by(arrived.c.seq)).all()
    store.close()
    commits = [
        {key[1]: rows.time_ns.tolist() for key, rows in spool.decode(bytes(blob))[0]} for blob in blobs
    ]
    return [tuple(one) for one in alerts], commits


def test_no_step_has_much_of_it_and_the_alerts_are_those_of_small_messages(tmp_path: Path) -> None:
    honest = message(
        "HB-03", {"time": instant.text(RECEIVED - 20 * SECOND), "step_s": 1.0, "active": [True] * 10}
    )
    _, source = process(tmp_path / "one.db", [message("HB-66", block(0, ROWS)), honest])
    assert len(source.acknowledged) == 2
    alerts, commits = stored(tmp_path / "one.db")
    assert len(alerts) > ROWS // 4
    sizes = [len(commit.get("HB-66", ())) for commit in commits]
    assert sum(sizes) == ROWS
    assert max(sizes) * STEP_S * SECOND <= LIMIT_NS + QUANTUM_NS
    assert "HB-03" in commits[0]

    small = [message("HB-66", block(k, k + 100)) for k in range(0, ROWS, 100)]
    process(tmp_path / "two.db", [*small, honest])
    assert stored(tmp_path / "two.db")[0] == alerts


def test_a_message_is_acknowledged_with_its_last_rows_and_an_end_before_loses_nothing(tmp_path: Path) -> None:
    whole, cut = tmp_path / "whole.db", tmp_path / "cut.db"
    process(whole, [message("HB-66", block(0, ROWS))])
    _, source = process(cut, [message("HB-66", block(0, ROWS))], turns=2)
    assert len(source.acknowledged) == 0
    _, source = process(cut, [message("HB-66", block(0, ROWS), redelivered=True)])
    assert len(source.acknowledged) == 1
    (alerts, commits), (wanted, _) = stored(cut), stored(whole)
    assert alerts == wanted
    times = [at for commit in commits for at in commit.get("HB-66", ())]
    assert len(times) == len(set(times)) == ROWS


def test_what_a_message_is_rejected_for_is_counted_once(tmp_path: Path) -> None:
    rows = [{"time": instant.text(RECEIVED - (ROWS - k) * 10 * SECOND), "active": True} for k in range(ROWS)]
    worker, source = process(tmp_path / "one.db", [message("HB-66", [*rows, {"time": "yesterday"}])])
    assert len(source.acknowledged) == 1
    assert worker.rejected == {"bad_time": 1}


TIMES = st.lists(st.integers(-2 * SECOND, 200 * QUANTUM_NS) | st.just(SECOND), min_size=1, max_size=60).map(
    lambda steps: np.cumsum(np.array(steps, np.int64))
)


@given(
    st.lists(TIMES.flatmap(lambda at: st.tuples(st.just(at), st.integers(1, 120))), min_size=1, max_size=4)
)
def test_the_parts_of_messages_are_their_rows_in_order_within_the_limit(
    given_messages: list[tuple[Any, int]],
) -> None:
    """Repeated rows stand for the many of a long message."""
    for at, times in given_messages:
        rows = Rows(np.concatenate([at + k * 10**6 for k in range(times)]), {})
        while len(rows):
            fitting = StepLimit().take_room(KEY, rows)
            assert fitting
            assert fitting == 1 or cost(rows.time_ns[:fitting]) <= LIMIT_NS
            assert fitting == len(rows) or cost(rows.time_ns[: fitting + 1]) > LIMIT_NS
            rows = rows[fitting:]


def cost(time_ns: Any) -> int:
    """The time that rows span, a long gap counted as a quantum; from the definition."""
    return QUANTUM_NS + sum(
        min(max(later - earlier, 0), QUANTUM_NS)
        for earlier, later in zip(time_ns.tolist(), time_ns.tolist()[1:], strict=False)
    )


@given(
    st.lists(
        st.tuples(st.integers(1, 600), st.sampled_from((SECOND // 10, SECOND, 60 * SECOND))), max_size=12
    )
)
def test_room_is_taken_by_the_time_that_rows_span_however_they_are_divided(
    runs: list[tuple[int, int]],
) -> None:
    limit = StepLimit()
    used = 0
    for number, step_ns in runs:
        rows = Rows(np.arange(number, dtype=np.int64) * step_ns, {})
        fitting = limit.take_room(KEY, rows)
        assert (fitting == number) == (used + cost(rows.time_ns) <= LIMIT_NS)
        used += cost(rows.time_ns[:fitting]) if fitting else 0


def test_a_second_message_has_what_the_first_left_and_another_hammer_all() -> None:
    limit = StepLimit()
    all_, n = LIMIT_NS // QUANTUM_NS, LIMIT_NS // QUANTUM_NS * 4 // 5
    rows = Rows(np.arange(n, dtype=np.int64) * QUANTUM_NS, {})
    assert limit.take_room(KEY, rows) == n
    assert limit.take_room(KEY, rows) == all_ - n
    assert limit.take_room(("fennick-hollow", "HB-03"), rows) == n
    assert StepLimit().take_room(KEY, rows) == n


def test_small_messages_that_are_scanned_together_are_decoded_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The gateway's backlog is more than a step takes; what follows, of whatever kind, waits for it."""
    decoded = []
    monkeypatch.setattr(decoder, "decode", lambda *given: decoded.append(given) or decode(*given))
    messages = [message("HB-66", block(k, k + 10)) for k in range(0, ROWS, 10)]
    process(tmp_path / "known.db", [messages[0]])
    _, source = process(tmp_path / "known.db", messages[1:])
    assert len(source.acknowledged) == len(messages) - 1
    assert not decoded  # one by one: the scanner has read them, those of a new hammer too
    _, commits = stored(tmp_path / "known.db")
    times = [at for commit in commits for at in commit.get("HB-66", ())]
    assert times == sorted(set(times))
    assert len(times) == ROWS
    assert max(cost(np.array(commit.get("HB-66", [0]))) for commit in commits) <= LIMIT_NS + QUANTUM_NS
