"""Greasing: what is judged with automatic greasing, and recordings with more greasings than a step can hold."""

import numpy as np

from strikewatch.core.batch import NO_ROWS, Batch, Key, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.detectors import coverage
from strikewatch.engine.pipeline import Pipeline
from strikewatch.settings.faults import Faults
from strikewatch.sources.ordering import Reorderer
from tests.detectors.recorded import alerts, faults_of
from tests.twins.signals import accepted
from tests.twins.streams import boundary_stream, columns

MANUAL_FAULTS = {"grease_due", "grease_overdue", "grease_short"}


def test_with_automatic_greasing_only_the_manual_faults_are_missing() -> None:
    missing: set[str] = set()
    for seed in range(12):
        stream = boundary_stream(seed)
        rows = {hammer: columns(accepted(rows)) for hammer, rows in stream.rows.items()}
        manual = faults_of(stream.settings)
        greasing = manual.grease.model_copy(update={"method": "automatic"})
        automatic = manual.model_copy(update={"grease": greasing})
        before = [a.record() for a in alerts(rows, stream.events, manual, stream.end)]
        after = [a.record() for a in alerts(rows, stream.events, automatic, stream.end)]
        assert after == [record for record in before if record["fault"] not in MANUAL_FAULTS]
        missing |= {record["fault"] for record in before} & MANUAL_FAULTS
    assert missing == MANUAL_FAULTS


def test_the_manual_faults_are_reported_as_not_monitored() -> None:
    automatic = Faults.model_validate({"grease": {"method": "automatic"}})
    channels = {"active", "grease_level"}
    unmonitored = dict(coverage.unmonitored_faults(automatic.by_detector(), channels))
    assert {unmonitored[fault] for fault in MANUAL_FAULTS} == {"it is greased automatically"}
    assert "grease_feed" not in unmonitored
    assert "grease_feed" in dict(coverage.unmonitored_faults(automatic.by_detector(), {"active"}))


KEY: Key = ("fennick-hollow", "HB-01")
START = 1_772_600_000 * SECOND
HOUR = 3600


def findings_in_pieces(pieces: int) -> list[tuple[str, str, int]]:
    """Run two days with a row every 10 s, greased every 2.5 h, in pieces.

    Return (fault, step, seconds from the start) of each finding.
    """
    time_ns = START + 10 * SECOND * np.arange(48 * HOUR // 10, dtype=np.int64)
    reorderer = Reorderer("in_order")
    for k in range(1, 20):
        reorderer.add_event(
            Event(*KEY, "grease", START + int(2.5 * HOUR * k) * SECOND, {"strokes": [12, 12]})
        )
    pipeline = Pipeline(lambda _key: Faults().by_detector())
    steps = []
    for part in np.array_split(time_ns, pieces):
        rows = reorderer.add_rows(KEY, Rows(part, {"active": np.zeros(len(part))}))
        steps.append(pipeline.step(Batch([reorderer.portion(KEY, rows, int(part[-1]))])))
        pipeline.commit(steps[-1])
    last = pipeline.step(Batch([reorderer.portion(KEY, NO_ROWS, int(time_ns[-1]), closing=True)]))
    findings = [finding for step in [*steps, last] for finding in step.findings]
    return [(finding.fault, finding.step, (finding.at - START) // SECOND) for finding in findings]


def test_many_greasings_in_one_piece_are_found_as_in_many_pieces() -> None:
    expected = findings_in_pieces(500)
    overdue = [at for fault, step, at in expected if (fault, step) == ("grease_overdue", "raised")]
    assert overdue == [int(2.5 * HOUR * k) + 2 * HOUR for k in range(19)]
    assert findings_in_pieces(1) == expected
    assert findings_in_pieces(7) == expected
