"""The misuse faults equal a slow reading of them, to the nanosecond, on nasty streams of richer feeds."""

import math
import os
from typing import Any

import pytest

from tests.detectors.recorded import alerts, faults_of
from tests.twins import FAULTS, MISUSE, find_all
from tests.twins.knowledge import admitted
from tests.twins.rich import rich
from tests.twins.streams import Stream, columns

SEEDS = int(os.environ.get("STRIKEWATCH_SEEDS", "300")) // 3
BLOCK = 50

Name = tuple[str, int, str]
Rest = tuple[int | None, str, str | None, dict[str, Any]]


def by_core(stream: Stream) -> dict[Name, Rest]:
    rows = {hammer: columns(admitted(one)) for hammer, one in stream.rows.items()}
    found = alerts(rows, stream.events, faults_of(stream.settings), stream.end)
    return {
        (a.hammer, a.onset, a.fault): (
            a.cleared,
            a.priority,
            a.operator,
            a.describe()[0] if a.fault in MISUSE else {},
        )
        for a in found
        if a.fault in FAULTS
    }


def by_twin(stream: Stream) -> dict[Name, Rest]:
    return {
        (hammer, r.onset, r.fault): (
            r.cleared,
            r.priority,
            r.operator,
            r.evidence if r.fault in MISUSE else {},
        )
        for hammer, rows in stream.rows.items()
        for r in find_all(rows, stream.events[hammer], stream.end, stream.settings)
    }


def told_alike(core: dict[str, Any], twin: dict[str, Any]) -> bool:
    """Words are the same, and numbers but for their rounding: seconds to the microsecond, others as shown."""
    if core.keys() != twin.keys():
        return False
    for name, value in twin.items():
        rough = 6e-7 if name.endswith("_s") else 0.5001 if name.endswith("_rpm") else 0.05001
        if isinstance(value, str):
            if core[name] != value:
                return False
        elif not math.isclose(core[name], value, rel_tol=0.0, abs_tol=rough):
            return False
    return True


@pytest.mark.parametrize("first", range(0, SEEDS, BLOCK))
def test_core_finds_what_a_slow_reading_finds(first: int) -> None:
    for seed in range(first, min(first + BLOCK, SEEDS)):
        stream = rich(seed)
        core, twin = by_core(stream), by_twin(stream)
        assert {n: r[:3] for n, r in core.items()} == {n: r[:3] for n, r in twin.items()}, f"seed {seed}"
        for name, (*_, evidence) in twin.items():
            assert told_alike(core[name][3], evidence), (seed, name, core[name][3], evidence)
