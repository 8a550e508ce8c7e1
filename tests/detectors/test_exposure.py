"""Exposure agrees to the nanosecond with its slow twin, and is whole: nothing is counted twice, nothing forgotten."""

import random

import pytest

from strikewatch.core.batch import NO_ROWS, Batch, Portion
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.core.stretch import AttributedStretch
from tests.detectors.test_laws import HOUR, Stream
from tests.twins import exposure
from tests.twins.streams import nasty


@pytest.mark.parametrize("seed", range(60))
def test_it_agrees_with_the_slow_twin(seed: int) -> None:
    dice = random.Random(seed)
    twin, stream = nasty(seed), Stream(seed)
    # Hours are too far apart for streams of minutes: now and then one is moved to lie across an hour, or a lapse.
    for key, rows in stream.rows.items():
        if not len(rows):
            continue
        for kind in ("tool_change", "sign_on", "sign_off"):
            at = rows.time_ns[dice.randrange(len(rows))] + dice.choice(
                (-1, 0, 1, 7 * SECOND, -13 * HOUR, -14 * HOUR)
            )
            fields = {"tool_change": {"tool": "moil"}, "sign_on": {"operator": "op-11"}}.get(kind, {})
            event = Event(*key, kind, max(int(at), 0), dict(fields))
            stream.events[key].append(event)
        pipeline = stream.pipeline()
        found: list[AttributedStretch] = []
        for portion in stream.portions(key, []):
            outcome = pipeline.step(Batch([portion]))
            pipeline.commit(outcome)
            found += outcome.stretches()
        found += pipeline.step(
            Batch([Portion(key, NO_ROWS, pipeline.watermark(key))]), report=True
        ).stretches()
        settings = stream.faults
        expected = exposure.find(
            twin.rows[key[1]],
            stream.events[key],
            stream.end,
            working_rpm=settings.exposure.working_rpm,
            row_gap_s=settings.exposure.steady_s,
            on_bar=settings.firing.on_bar,
            off_bar=settings.firing.off_bar,
        )
        assert [(*one.stretch[1:], one.operator, one.tool) for one in found] == expected
