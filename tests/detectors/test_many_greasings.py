"""A piece of a recording may hold more greasings than can wait: each is taken at its own time all the same."""

import numpy as np

from strikewatch.core.batch import NO_ROWS, Batch, Key, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.engine.pipeline import Pipeline
from strikewatch.settings.faults import Faults
from strikewatch.sources.ordering import Reorderer

KEY: Key = ("fennick-hollow", "HB-01")
START = 1_772_600_000 * SECOND
HOUR = 3600


def found(pieces: int) -> list[tuple[str, str, int]]:
    """Two days at one row in 10 s, greased every 2.5 h, in so many pieces: (fault, step, seconds from the start)."""
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
    findings = [one for step in [*steps, last] for one in step.findings]
    return [(one.fault, one.step, (one.at - START) // SECOND) for one in findings]


def test_in_one_piece_as_in_many() -> None:
    expected = found(500)
    overdue = [at for fault, step, at in expected if (fault, step) == ("grease_overdue", "raised")]
    assert overdue == [int(2.5 * HOUR * k) + 2 * HOUR for k in range(19)]
    assert found(1) == expected
    assert found(7) == expected
