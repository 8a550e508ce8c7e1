"""Onsets and clearings equal a slow reading of guide/faults.md, to the microsecond, on nasty random streams."""

import os

import pytest

from strikewatch.core import instant
from tests.detectors.recorded import faults_of, replayed
from tests.twins import FAULTS, find_all
from tests.twins.knowledge import admitted
from tests.twins.streams import columns, nasty

SEEDS = int(os.environ.get("STRIKEWATCH_SEEDS", "300"))
BLOCK = 25

Name = tuple[str, str, str]
Rest = tuple[str | None, str, str | None, int | None]


def by_core(seed: int) -> dict[Name, Rest]:
    stream = nasty(seed)
    rows = {hammer: columns(admitted(one)) for hammer, one in stream.rows.items()}
    found = replayed(rows, stream.events, faults_of(stream.settings))
    return {
        (r["hammer"], r["onset"], r["fault"]): (
            r["cleared"],
            r["priority"],
            r["operator"],
            r["evidence"].get("occurrences"),
        )
        for r in found.records
        if r["fault"] in FAULTS
    }


def by_twin(seed: int) -> dict[Name, Rest]:
    """Of two alerts within one microsecond, which bear one id, the later stands."""
    stream = nasty(seed)
    return {
        (hammer, instant.text(r.onset), r.fault): (
            None if r.cleared is None else instant.text(r.cleared),
            r.priority,
            r.operator,
            r.evidence.get("occurrences"),
        )
        for hammer, rows in stream.rows.items()
        for r in find_all(rows, stream.events[hammer], stream.end, stream.settings)
    }


@pytest.mark.parametrize("first", range(0, SEEDS, BLOCK))
def test_core_finds_what_a_slow_reading_finds(first: int) -> None:
    for seed in range(first, min(first + BLOCK, SEEDS)):
        twin, core = by_twin(seed), by_core(seed)
        assert core == twin, f"seed {seed}"
