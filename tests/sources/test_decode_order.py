"""The records of one message come out sorted by time, whichever of them the gateway put first."""

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.instant import SECOND
from strikewatch.sources.decode import Samples, decode
from strikewatch.sources.ordering import Reorderer
from tests.sources import malformed

START = malformed.RECEIVED - 3600 * SECOND


def rows_of(records: list[dict[str, Any]]) -> Rows:
    decoded = decode(malformed.SAMPLES, json.dumps(records).encode(), malformed.RECEIVED, "strikewatch")
    assert isinstance(decoded, Samples)
    assert decoded.rejected == ()
    return decoded.rows


def instants(n: int) -> list[dict[str, Any]]:
    return [{"time": instant.text(START + k * SECOND), "oil_c": float(k)} for k in range(n)]


def blocks(n: int) -> list[dict[str, Any]]:
    starts = [START + 3 * k * SECOND for k in range(n)]
    return [
        {"time": instant.text(at), "step_s": 1.0, "oil_c": [3.0 * k, 3.0 * k + 1, 3.0 * k + 2]}
        for k, at in enumerate(starts)
    ]


def senml(n: int) -> list[dict[str, Any]]:
    return [{"n": "oil", "u": "Cel", "v": float(k), "t": START // SECOND + k} for k in range(n)]


@pytest.mark.parametrize(("make", "rows"), [(instants, 9), (blocks, 27), (senml, 9)])
@given(order=st.permutations(range(9)))
def test_no_record_of_a_message_is_late(make: Any, rows: int, order: list[int]) -> None:
    records = make(9)
    found = rows_of([records[k] for k in order])
    assert found.time_ns.tolist() == [START + k * SECOND for k in range(rows)]
    assert found.columns["oil_c"].tolist() == list(range(rows))
    reorderer = Reorderer("in_order")
    assert len(reorderer.add_rows(("fennick-hollow", "HB-01"), found)) == rows


def test_records_of_one_instant_keep_their_order() -> None:
    """So that the first value of a channel counts, as it does between messages."""
    times = [2, 1, 2, 1, 1]
    records = [{"time": instant.text(START + k * SECOND), "oil_c": float(i)} for i, k in enumerate(times)]
    found = rows_of(records)
    assert found.columns["oil_c"].tolist() == [1.0, 3.0, 4.0, 0.0, 2.0]
    assert np.all(np.diff(found.time_ns) >= 0)
