"""oil_heating equals a slow reading of it on streams of warming oil: the same instants, the same line."""

import os

import pytest

from strikewatch.core import instant
from tests.detectors.recorded import faults_of, replayed
from tests.twins import oil_heating
from tests.twins.knowledge import admitted
from tests.twins.streams import columns
from tests.twins.warming import warming

SEEDS = int(os.environ.get("STRIKEWATCH_SEEDS", "300")) // 10
HAMMER = "HB-01"
SHOWN = {"oil_c": 0.051, "slope_c_per_min": 0.0051}
"""Half of the last digit shown, and a little."""


def test_core_finds_what_a_slow_reading_finds() -> None:
    found = open_ = edges = 0
    for seed in range(SEEDS):
        stream = warming(seed)
        try:
            expected = oil_heating.find(
                stream.rows[HAMMER], stream.events[HAMMER], stream.end, **stream.settings["oil_heating"]
            )
        except oil_heating.OnTheEdgeError:
            edges += 1
            continue
        rows = {HAMMER: columns(admitted(stream.rows[HAMMER]))}
        records = replayed(rows, stream.events, faults_of(stream.settings)).records
        core = [one for one in records if one["fault"] == "oil_heating"]
        assert [(one["onset"], one["cleared"], one["priority"], one["operator"]) for one in core] == [
            (instant.text(r.onset), r.cleared and instant.text(r.cleared), r.priority, r.operator)
            for r in expected
        ], f"seed {seed}"
        for one, record in zip(core, expected, strict=True):
            for name, value in record.evidence.items():
                assert one["evidence"][name] == pytest.approx(value, abs=SHOWN[name]), f"seed {seed}"
            found += 1
            open_ += record.cleared is None
    assert found > SEEDS, "the streams hardly meet the rule"
    assert open_ > 0
    assert edges <= SEEDS // 20
