"""grease_feed equals a slow reading of it, evidence and all, to the nanosecond, on nasty streams of such hammers."""

import os
from collections import Counter
from typing import Any

import pytest

from tests.detectors.recorded import alerts, faults_of
from tests.twins import grease_feed
from tests.twins.fed import fed
from tests.twins.knowledge import admitted
from tests.twins.streams import Stream, columns

SEEDS = int(os.environ.get("STRIKEWATCH_SEEDS", "300"))
BLOCK = 100

Name = tuple[str, int]
Rest = tuple[int | None, str, str | None, dict[str, Any]]


def by_core(stream: Stream) -> dict[Name, Rest]:
    rows = {hammer: columns(admitted(one)) for hammer, one in stream.rows.items()}
    found = alerts(rows, stream.events, faults_of(stream.settings), stream.end)
    return {
        (a.hammer, a.onset): (a.cleared, a.priority, a.operator, a.describe()[0])
        for a in found
        if a.fault == "grease_feed"
    }


def by_twin(stream: Stream) -> dict[Name, Rest]:
    """Seconds and levels rounded as they are shown."""
    shown: dict[Name, Rest] = {}
    for hammer, rows in stream.rows.items():
        settings = stream.settings["grease_feed"]
        for r in grease_feed.find(rows, stream.events[hammer], stream.end, **settings):
            told = {
                "causes": r.evidence["causes"],
                "lowest_level": None if r.evidence["level"] is None else round(r.evidence["level"], 2),
                "firing_without_flow_s": None
                if r.evidence["dry_s"] is None
                else round(r.evidence["dry_s"], 6),
            }
            evidence = {name: value for name, value in told.items() if value is not None}
            shown[hammer, r.onset] = (r.cleared, r.priority, r.operator, evidence)
    return shown


@pytest.mark.parametrize("first", range(0, SEEDS, BLOCK))
def test_core_finds_what_a_slow_reading_finds(first: int) -> None:
    for seed in range(first, min(first + BLOCK, SEEDS)):
        stream = fed(seed)
        assert by_core(stream) == by_twin(stream), f"seed {seed}"


def test_the_streams_meet_every_cause_alone_and_together_and_at_ties() -> None:
    found: Counter[str] = Counter()
    ties = standing = 0
    for seed in range(SEEDS):
        for _, (cleared, _, _, evidence), onset in ((n, r, n[1]) for n, r in by_twin(fed(seed)).items()):
            found[evidence["causes"]] += 1
            ties += cleared == onset
            standing += cleared is None
    for causes in ("reservoir", "flow", "line", "reservoir flow", "reservoir line", "flow line"):
        assert found[causes] >= 3, found
    assert found["reservoir flow line"] >= 3
    assert ties >= 3
    assert standing >= 3
