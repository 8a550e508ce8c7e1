"""Laws that every registered detector must obey.

cut          findings and final state do not depend on how a stream is cut, to the last bit: row by row, with ticks in
             between, and with cuts 1 ns before, at and after each deadline
resume       a state restored from bytes in a new pipeline continues as if nothing had happened
attribution  operator and tool of each finding, bout and stretch are those at its onset or start, under any cuts and
             with more sign-ons and tool changes than a record has room for
company      other hammers in the same batches change nothing
purity       a step that is not committed changes nothing
quiet        a detector that passes over a quiet tile leaves the same state as by rows, to the last bit, and finds the
             same; so does it with tiles of any size
"""

import os
import random
import re
from collections.abc import Callable, Iterator, Sequence

import pytest

from strikewatch.core.batch import NO_ROWS, Batch, Key, Portion, Rows
from strikewatch.core.bout import AttributedBout
from strikewatch.core.events import Event
from strikewatch.core.finding import Finding
from strikewatch.core.instant import SECOND
from strikewatch.core.stretch import AttributedStretch
from strikewatch.detectors.compiled.step import FULL
from strikewatch.engine.compiled_step import CompiledStep
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.state import LAYOUT
from strikewatch.engine.step_result import StepResult
from strikewatch.settings.faults import Faults
from strikewatch.sources.ordering import Reorderer
from tests.detectors.recorded import SITE, faults_of
from tests.twins.greasing_streams import greasing_stream
from tests.twins.maintenance_streams import corrected_stream, maintenance_stream
from tests.twins.misuse_streams import misuse_stream
from tests.twins.signals import accepted, operator_after, operator_changes, tool_at
from tests.twins.streams import Stream as Recording
from tests.twins.streams import arm_angle_stream, boundary_stream, columns

CUTS = int(os.environ.get("STRIKEWATCH_CUTS", "240"))
SEEDS = 40
CASES = [
    *((boundary_stream, seed) for seed in range(SEEDS)),
    *((misuse_stream, seed) for seed in range(SEEDS // 2)),
    *((greasing_stream, seed) for seed in range(SEEDS // 4)),
    *((arm_angle_stream, seed) for seed in range(SEEDS // 4)),
    *((maintenance_stream, seed) for seed in range(SEEDS // 2)),
    *((corrected_stream, seed) for seed in range(SEEDS // 2)),
]


def over(cases: list[tuple[Callable[[int], Recording], int]]) -> pytest.MarkDecorator:
    return pytest.mark.parametrize(
        ("make", "seed"), cases, ids=[f"{make.__name__}-{seed}" for make, seed in cases]
    )


EVERY = over(CASES)
EVERY_OTHER = EVERY if len(CASES) * 10 < CUTS else over(CASES[::2])
"""Every one in the long form."""
HOUR = 3600 * 1_000_000_000

Found = list[str]


class Stream:
    """A random recording and its settings. `crowded`: operators and tools change all the time."""

    def __init__(
        self, seed: int, make: Callable[[int], Recording] = boundary_stream, *, crowded: bool = False
    ) -> None:
        recording = make(seed)
        self.rows: dict[Key, Rows] = {
            (SITE, hammer): columns(accepted(rows)) for hammer, rows in recording.rows.items()
        }
        self.events: dict[Key, list[Event]] = {
            (SITE, hammer): events for hammer, events in recording.events.items()
        }
        self.end = recording.end
        if crowded:
            rng = random.Random(f"crowd {seed}")
            for key, own in self.events.items():
                many = many_changes(rng, key, self.rows[key].time_ns.tolist(), self.end)
                own[:] = sorted([*own, *many], key=lambda event: event.effective)
        self.faults: Faults = faults_of(recording.settings)

    def pipeline(self, compiled: CompiledStep | None = None) -> Pipeline:
        return Pipeline(lambda _key: self.faults.by_detector(), compiled)

    def portions(self, key: Key, watermarks: Sequence[int]) -> Iterator[Portion]:
        """Yield the stream of one hammer, cut at these watermarks (inclusive), with its end."""
        reorderer = Reorderer("in_order")
        for event in self.events[key]:
            reorderer.add_event(event)
        rows = self.rows[key]
        first = 0
        for upto in watermarks:
            last = int(rows.time_ns.searchsorted(upto, side="right"))
            yield reorderer.portion(key, reorderer.add_rows(key, rows[first:last]), upto)
            first = last
        yield reorderer.portion(key, reorderer.add_rows(key, rows[first:]), self.end)
        yield reorderer.portion(key, NO_ROWS, self.end, closing=True)


def many_changes(rng: random.Random, key: Key, times: Sequence[int], end: int) -> list[Event]:
    """Return more sign-ons, sign-offs and tool changes than a record has room for, at and between rows, some in
    bursts."""
    first = min(times, default=end) - SECOND
    found: list[Event] = []
    while len(found) < 120:
        near = rng.choice(times) if times and rng.random() < 0.7 else rng.randint(first, end)
        apart = rng.choice((0, 1, 20_000_000, 100_000_000, 300_000_000, 2 * SECOND))
        at = near + rng.choice((-1, 0, 0, 1, 500_000_000))
        for _ in range(rng.choice((1, 1, 3, 12))):
            late = rng.choice((0, 0, 0, HOUR))
            kind = rng.choice(("sign_on", "sign_on", "sign_off", "tool_change"))
            fields = {
                "sign_on": {"operator": f"op-{11 + len(found)}"},
                "tool_change": {"tool": f"tool-{len(found)}"},
            }.get(kind, {})
            if first <= at <= end:
                found.append(Event(*key, kind, at - late, fields, at if late else -1))
            at += apart
    return found


Attributed = tuple[Finding, str | None] | AttributedBout | AttributedStretch


def attributed(outcome: StepResult) -> list[Attributed]:
    """Return everything that a step found: findings, bouts and stretches. Only a raised finding needs its operator."""
    findings = [
        (finding, outcome.on_duty(finding.key, finding.onset) if finding.step == "raised" else None)
        for finding in outcome.findings
    ]
    return [*findings, *outcome.bouts(), *outcome.stretches()]


def lines(found: Sequence[Attributed]) -> Found:
    return sorted(
        repr(
            one
            if isinstance(one, AttributedBout | AttributedStretch)
            else (one[0]._replace(kind=one[0].kind.name), one[1])
        )  # type: ignore[arg-type]
        for one in found
    )


def run(pipeline: Pipeline, portions: Iterator[Portion]) -> Found:
    return lines(run_to_end(pipeline, portions))


def run_to_end(pipeline: Pipeline, portions: Iterator[Portion]) -> list[Attributed]:
    """Return everything found in these portions, and what is still active at their end."""
    found: list[Attributed] = []
    for portion in portions:
        outcome = pipeline.step(Batch([portion]))
        pipeline.commit(outcome)
        found += attributed(outcome)
    last = pipeline.step(Batch([Portion(portion.key, NO_ROWS, portion.watermark)]), report=True)
    return [*found, *attributed(last)]


def wrongly_attributed(found: Sequence[Attributed], events: Sequence[Event]) -> Found:
    """Return what has another operator or tool than the events say."""
    wrong: list[Attributed] = []
    changes = operator_changes(events)
    for one in found:
        if isinstance(one, AttributedBout | AttributedStretch):
            start = one.bout.start if isinstance(one, AttributedBout) else one.stretch.start
            right = one.operator == operator_after(changes, start) and one.tool == tool_at(events, start)
        else:
            right = one[0].step != "raised" or one[1] == operator_after(changes, one[0].onset)
        wrong += [] if right else [one]
    return lines(wrong)


def state(pipeline: Pipeline, key: Key) -> bytes:
    return pipeline.step(Batch([Portion(key, NO_ROWS, pipeline.watermark(key))])).saved()[key]


def aimed_cuts(rng: random.Random, stream: Stream, key: Key, instants: Sequence[int]) -> list[int]:
    """Watermarks at random rows, and around the instants at which something was found."""
    times = stream.rows[key].time_ns.tolist()
    some = rng.sample(times, min(len(times), rng.choice((1, 5, 40, len(times)))))
    at = rng.sample(list(instants), min(len(instants), 30))
    ticks = [t + rng.choice((-1, 0, 1)) for t in at]
    near = [t + rng.choice((-1, 1, 500_000_000, 2_000_000_000, 9_999_999_999)) for t in some[:10]]
    low = times[0] if times else stream.end
    return sorted({t for t in some + ticks + near if low <= t <= stream.end})


@EVERY
def test_cut_and_resume(make: Callable[[int], Recording], seed: int) -> None:
    """The same findings and state under random cuts, some of them restored from bytes in a new pipeline."""
    rng = random.Random(seed)
    stream = Stream(seed, make)
    for key in stream.rows:
        whole = stream.pipeline()
        expected = run(whole, stream.portions(key, []))
        assert whole.step(Batch([])).findings == []
        found_at = [int(at) for line in expected for at in re.findall(r" (?:at|end)=(\d+)", line)]
        for _ in range(CUTS // len(CASES)):
            watermarks = aimed_cuts(rng, stream, key, found_at)
            pipeline = stream.pipeline()
            found: list[Attributed] = []
            for portion in stream.portions(key, watermarks):
                outcome = pipeline.step(Batch([portion]))
                found += attributed(outcome)
                pipeline.commit(outcome)
                if rng.random() < 0.2:
                    saved = outcome.saved()[key]
                    pipeline = stream.pipeline()
                    assert pipeline.restore(key, LAYOUT, saved) == []
            last = pipeline.step(Batch([Portion(key, NO_ROWS, pipeline.watermark(key))]), report=True)
            assert lines([*found, *attributed(last)]) == expected
            assert state(pipeline, key) == state(whole, key)


@over(CASES[::5])
def test_attribution(make: Callable[[int], Recording], seed: int) -> None:
    """Whole, row by row and under random cuts with resumes, with 120 changes of operator and tool a hammer."""
    rng = random.Random(seed)
    stream = Stream(seed, make, crowded=True)
    for key, rows in stream.rows.items():
        whole = stream.pipeline()
        found_whole = run_to_end(whole, stream.portions(key, []))
        expected = lines(found_whole)
        assert wrongly_attributed(found_whole, stream.events[key]) == []
        at = [event.effective for event in stream.events[key]]
        for watermarks in (rows.time_ns.tolist(), aimed_cuts(rng, stream, key, at)):
            pipeline = stream.pipeline()
            found: list[Attributed] = []
            for portion in stream.portions(key, watermarks):
                outcome = pipeline.step(Batch([portion]))
                found += attributed(outcome)
                pipeline.commit(outcome)
                if rng.random() < 0.3:
                    saved = outcome.saved()[key]
                    pipeline = stream.pipeline()
                    assert pipeline.restore(key, LAYOUT, saved) == []
            last = pipeline.step(Batch([Portion(key, NO_ROWS, pipeline.watermark(key))]), report=True)
            assert lines([*found, *attributed(last)]) == expected
            assert state(pipeline, key) == state(whole, key)


@EVERY_OTHER
def test_company(make: Callable[[int], Recording], seed: int) -> None:
    """All hammers in common batches, with their portions interleaved, give what each gives alone."""
    rng = random.Random(seed)
    stream = Stream(seed, make)
    alone: Found = []
    for key in stream.rows:
        alone += run(stream.pipeline(), stream.portions(key, []))
    pipeline = stream.pipeline()
    found: list[Attributed] = []
    queues = {key: list(stream.portions(key, aimed_cuts(rng, stream, key, []))) for key in stream.rows}
    while any(queues.values()):
        batch = [queue.pop(0) for queue in queues.values() if queue and rng.random() < 0.7]
        rng.shuffle(batch)
        outcome = pipeline.step(Batch(batch))
        pipeline.commit(outcome)
        found += attributed(outcome)
    closing = [Portion(key, NO_ROWS, pipeline.watermark(key)) for key in stream.rows]
    found += attributed(pipeline.step(Batch(closing), report=True))
    assert lines(found) == sorted(alone)


@EVERY_OTHER
def test_purity(make: Callable[[int], Recording], seed: int) -> None:
    """Look-aheads between the steps, which are not committed, change nothing; nor do the inputs change."""
    rng = random.Random(seed)
    stream = Stream(seed, make)
    for key, rows in stream.rows.items():
        before = {name: column.tobytes() for name, column in rows.columns.items()}
        expected = run(stream.pipeline(), stream.portions(key, []))
        pipeline = stream.pipeline()
        found: list[Attributed] = []
        for portion in stream.portions(key, aimed_cuts(rng, stream, key, [])):
            ahead = Portion(key, NO_ROWS, portion.watermark + rng.randint(0, 10**11))
            pipeline.step(Batch([ahead]), report=True)
            outcome = pipeline.step(Batch([portion]))
            assert lines(attributed(outcome)) == lines(attributed(pipeline.step(Batch([portion]))))
            pipeline.commit(outcome)
            found += attributed(outcome)
        last = pipeline.step(Batch([Portion(key, NO_ROWS, pipeline.watermark(key))]), report=True)
        assert lines([*found, *attributed(last)]) == expected
        assert before == {name: column.tobytes() for name, column in rows.columns.items()}


@EVERY
def test_quiet(make: Callable[[int], Recording], seed: int) -> None:
    """Step by step without quiet tiles, and in small tiles."""
    rng = random.Random(seed)
    stream = Stream(seed, make)
    tile_rows = rng.choice((1, 2, 7, 60, 400))
    for key in stream.rows:
        usual = stream.pipeline()
        by_rows = stream.pipeline(CompiledStep(never_quiet=True))
        in_small_tiles = stream.pipeline(CompiledStep(tile_rows=tile_rows, room=0))
        for portion in stream.portions(key, aimed_cuts(rng, stream, key, [])):
            outcomes = [p.step(Batch([portion])) for p in (usual, by_rows, in_small_tiles)]
            for pipeline, outcome in zip((usual, by_rows, in_small_tiles), outcomes, strict=True):
                pipeline.commit(outcome)
            found, found_by_rows, found_in_small_tiles = (lines(attributed(each)) for each in outcomes)
            assert found == found_by_rows == found_in_small_tiles
            assert different_parts(outcomes[0], outcomes[1]) == []
        assert state(in_small_tiles, key) == state(usual, key)


@pytest.mark.parametrize("seed", range(8))
def test_a_call_without_room_for_more_findings_is_continued(seed: int) -> None:
    """Row by row, interrupted after each finding; without events, which would make room."""
    stream = Stream(seed)
    outcomes: list[int] = []
    for key in stream.rows:
        stream.events[key].clear()
        compiled = CompiledStep(tile_rows=1, room=0)
        call = compiled._run

        def recorded(address: int, call: Callable[[int], int] = call) -> int:
            outcomes.append(call(address))
            return outcomes[-1]

        compiled._run = recorded
        found = run(stream.pipeline(compiled), stream.portions(key, []))
        assert found == run(stream.pipeline(), stream.portions(key, []))
    assert FULL in outcomes


def different_parts(one: StepResult, other: StepResult) -> list[str]:
    """Return the parts of the state in which two results differ, each with both records."""
    return [
        f"{name}: {one.state[name]} {other.state[name]}"
        for name in one.state.dtype.names
        if one.state[name].tobytes() != other.state[name].tobytes()
    ]
