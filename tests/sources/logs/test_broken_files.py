"""Damaged files give rows or one sentence of refusal, whatever the damage."""

import contextlib
import tempfile
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strikewatch.errors import InputError
from tests.profiles import examples
from tests.sources.logs.files import (
    CAN,
    DBC,
    EEC1,
    TABLE,
    candump,
    engine_speed,
    read,
    source,
    write_can,
    write_xlsx,
)

FRAMES = [(1_772_604_900.0 + k / 100, EEC1, engine_speed(8000 + k)) for k in range(20)]
KINDS: Mapping[str, Mapping[str, Any]] = {
    "log": CAN,
    "asc": CAN,
    "blf": CAN,
    "trc": CAN,
    "csv": TABLE,
    "xlsx": TABLE,
}


@cache
def whole(suffix: str) -> bytes:
    """Return a file without damage."""
    with tempfile.TemporaryDirectory() as made:
        path = Path(made) / f"bench.{suffix}"
        if suffix == "log":
            path.write_text(candump(FRAMES))
        elif suffix == "csv":
            path.write_text("time,p\n" + "".join(f"2026-03-04T07:15:{k:02d}Z,{k}.5\n" for k in range(20)))
        elif suffix == "xlsx":
            write_xlsx(
                path, [["time", "p"], *([46_085.3 + k / 86_400, k * 1.0] for k in range(20))], dated=[0]
            )
        else:
            write_can(path, FRAMES)
        return path.read_bytes()


@pytest.mark.parametrize("suffix", KINDS)
@given(data=st.data())
@settings(max_examples=examples(30), deadline=None)
def test_damage_is_refused_or_costs_only_itself(suffix: str, data: st.DataObject) -> None:
    content = bytearray(whole(suffix))
    for _ in range(data.draw(st.integers(1, 4), "changes")):
        at = data.draw(st.integers(0, max(0, len(content) - 1)), "at")
        new = data.draw(st.binary(max_size=4), "new")
        content[at : at + data.draw(st.integers(0, 20), "old")] = new
    with tempfile.TemporaryDirectory() as made:
        (Path(made) / "breaker.dbc").write_text(DBC)
        path = Path(made) / f"bench.{suffix}"
        path.write_bytes(content)
        with contextlib.suppress(InputError):
            _, [account], _ = read(source(KINDS[suffix]), path)
            assert account.left_out.count.total() + account.passed_over.total() <= account.records
